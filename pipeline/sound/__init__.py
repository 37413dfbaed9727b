"""From music to audio: arranging, synthesis, mixing, loudness."""
