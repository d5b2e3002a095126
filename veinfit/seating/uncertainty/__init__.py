"""Uncertainty: what tries come to when the balloon comes to lie a little differently."""
