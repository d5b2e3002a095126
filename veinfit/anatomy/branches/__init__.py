"""The lumen's branches: found, walked as tubes, cut at their ends."""
