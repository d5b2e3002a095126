"""What a reader corrects, carried out."""
