"""The recorded take: where it is, and how it fits the score."""
