"""Balloons before veins: approach, mechanics, seal, uncertainty, growth and plans."""
