"""From sources to music: text tab, chart text, media."""
