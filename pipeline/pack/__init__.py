"""From files to packs: tags, archives, leak check."""
