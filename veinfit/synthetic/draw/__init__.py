"""Drawing atria: distributions, styles, sets of veins, and shapes that meet their targets."""
