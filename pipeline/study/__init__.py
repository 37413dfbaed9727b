"""What the notes say and how hands play them."""
