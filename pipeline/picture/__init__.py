"""From music and time to video and stills."""
