"""Which branch is which vein, and whether the frame fits."""
