"""From music to paper and interchange: engraving, PDF, MusicXML, MIDI, text tab."""
