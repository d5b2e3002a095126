"""Drawing atria: laws, styles, sets of veins, and shapes that meet their targets."""
