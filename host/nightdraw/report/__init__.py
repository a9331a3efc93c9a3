"""Pictures for people: what was asked, did and seen, drawn from plain numbers."""
