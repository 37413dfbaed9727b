"""The review page, served on this machine only."""
