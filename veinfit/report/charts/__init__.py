"""Small drawings to scale: maps of the wall, of directions, of growth, planes of the image."""
