"""From where balloons come: septum, sheath, the line of the push, and where they start."""
