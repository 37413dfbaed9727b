"""From facts to text: description, chapters, read-me."""
