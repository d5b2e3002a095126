"""What a picture can be asked for; a command line knows it before anything heavy is loaded."""

from __future__ import annotations

TURN_FRAMES = 36
"""Pictures of one turn."""

AIM_VIEW = "aim"
"""The view that is no picture of the atrium but the map of shaft directions."""
