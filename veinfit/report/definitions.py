"""What the terms of the report mean."""

from __future__ import annotations

DEFINITIONS: tuple[tuple[str, str], ...] = (
    (
        "Ostium",
        "Around the vein, the places where the wall has made half of its turn from the vein's to "
        "the atrium's direction; a plane is fitted to them and may be oblique to the axis.",
    ),
    (
        "d_max × d_min",
        "Greatest caliper diameter of the wall's contour in the ostial plane, and the caliper "
        "diameter perpendicular to it. Ovality is their ratio, 1 for a circle.",
    ),
    (
        "Clock",
        "Read from the atrium looking into the vein along its axis: 12 is cranial (anterior where "
        "the axis is within 20° of cranial), hours run clockwise. Three o'clock is anterior on "
        "left veins and posterior on right ones, so that the side is written in words too.",
    ),
    (
        "Seated",
        "The balloon lies in equilibrium between the push, the guide, the shaft and the wall. The "
        "wall is indented, and the ostium changes its shape.",
    ),
    (
        "Gap and contact",
        "Distance of the wall from the balloon's surface; contact is a gap up to the tolerance "
        "in the settings. Cold contact is contact within the balloon's freezing zone.",
    ),
    (
        "Occluded, sealed",
        "Occluded: a closed line of contact separates vein and atrium. Sealed: the same with cold "
        "contact alone. Antral: sealed and not deep; what counts as deep is a convention, "
        "seating.deep_convention in the settings.",
    ),
    (
        "Leak width",
        "The width of the widest passage: along one path over the wall from vein to atrium the "
        "gap is nowhere smaller. Up to the tolerance of contact it is a gap and no leak. Contact "
        "all around at different depths does not close it: a passage can run between.",
    ),
    (
        "Depth",
        "Place of the balloon's equator along the ostial normal: 0 in the ostial plane, negative "
        "in the atrium, positive in the vein. Nose depth is that of the balloon's front pole. No "
        "depth is surer than the place of the ostium, whose bound is told with the vein.",
    ),
    (
        "Probability of an antral seal",
        "The share of simulated tries that seal and do not lie deep. Direction, push and guide are "
        "drawn for every try, the wall's place and stiffness for every patient. Up to three "
        "tries: each further try turns the shaft away from the leak and is otherwise much like the "
        "one before. The interval carries how "
        "uncertain the calibration is.",
    ),
    (
        "Nominal seat",
        "The single try without any scatter, at the push that occludes and a little more.",
    ),
    (
        "Where tries leak",
        "The one or two sides on which at least half of the single tries that do not occlude leak "
        "most. Nothing is told where fewer than eight leak, or where they leak on more sides.",
    ),
    (
        "Antral area",
        "Wall in cold contact, or enclosed by the sealing line, on the atrial side of the ostial "
        "plane.",
    ),
    (
        "Take-off",
        "The vein's axis against the outward normal of the wall (0° is straight out); in the "
        "frontal plane, positive superior; in the transverse plane, positive anterior.",
    ),
)
"""What the report's terms mean."""
