"""The steps that make a release set, and the running of them."""
