"""Codes of what is written, and the private scheme for what no standard code tells."""

from __future__ import annotations

from collections.abc import Mapping

SCHEME = "99VEINFIT"
"""Designator of the private scheme (PS3.16, 8.2: local ones begin with 99)."""

Triple = tuple[str, str, str]
"""Value, scheme, meaning."""

VEIN_SITES: Mapping[str, Triple] = {
    "LSPV": ("43863001", "SCT", "Superior left pulmonary vein"),
    "LIPV": ("51249003", "SCT", "Inferior left pulmonary vein"),
    "RSPV": ("8629005", "SCT", "Superior right pulmonary vein"),
    "RIPV": ("113273001", "SCT", "Inferior right pulmonary vein"),
    "RMPV": ("443714006", "SCT", "Right middle pulmonary vein"),
    "LCPV": ("443705001", "SCT", "Common left pulmonary vein"),
    "RCPV": ("443591004", "SCT", "Common right pulmonary vein"),
}
"""PS3.16 CID 12280, and the dictionary of SNOMED CT codes in DICOM."""

APPENDAGE: Triple = ("33626005", "SCT", "Left auricular appendage")
"""PS3.16 CID 3011 and 7192. An atrial appendage (68786006) with the laterality left is read, and
not written."""

LEFT_ATRIUM: Triple = ("82471001", "SCT", "Left atrium")

ANY_VEIN: Triple = ("122972007", "SCT", "Pulmonary vein")
"""Of a vein without a code of its own: the name stands in its tracking identifier."""


def site_of(name: str) -> Triple:
    """Return the code of a vein, of the appendage (LAA), or of the atrium's body."""
    if name == "LAA":
        return APPENDAGE
    return LEFT_ATRIUM if name == "body" else VEIN_SITES.get(name, ANY_VEIN)


OSTIUM: Triple = ("264114003", "SCT", "Ostium")
SEAT: Triple = ("SEAT", SCHEME, "Predicted balloon seat")
GEOMETRY: Triple = ("GEOMETRY", SCHEME, "Geometry of the wall")
"""How ostia are found: none of the families of PS3.16 CID 7162."""

MODEL_TITLES: Mapping[str, Triple] = {
    "CT": ("85040-4", "LN", "CT 3D CAM model"),
    "MR": ("85041-2", "LN", "MR 3D CAM model"),
    "US": ("129018", "DCM", "US 3D CAM model"),
}
"""Titles of models (PS3.16 CID 7061), by the modality of the image."""

IMAGING: Triple = ("363679005", "SCT", "Imaging procedure")
YES_NO: Mapping[bool, Triple] = {
    True: ("373066001", "SCT", "Yes"),
    False: ("373067005", "SCT", "No"),
}
MM: Triple = ("mm", "UCUM", "millimeter")
MM2: Triple = ("mm2", "UCUM", "square millimeter")
DEGREE: Triple = ("deg", "UCUM", "degree")
RATIO: Triple = ("{ratio}", "UCUM", "ratio")
NUMBER: Triple = ("1", "UCUM", "no units")
NEWTON: Triple = ("N", "UCUM", "newton")

VEIN_MEASURES: Mapping[str, tuple[Triple, Triple]] = {
    "d_max_mm": (("103339001", "SCT", "Long Axis"), MM),
    "d_min_mm": (("103340004", "SCT", "Short Axis"), MM),
    "area_mm2": (("42798000", "SCT", "Area"), MM2),
    "perimeter_mm": (("131191004", "SCT", "Perimeter"), MM),
    "trunk_length_mm": (("410668003", "SCT", "Length"), MM),
    "ovality": (("OVALITY", SCHEME, "Ovality, long over short axis"), RATIO),
    "d_area_mm": (("D_AREA", SCHEME, "Diameter of the circle of equal area"), MM),
    "d_perimeter_mm": (("D_PERIMETER", SCHEME, "Diameter of the circle of equal perimeter"), MM),
    "takeoff_wall_deg": (("TAKEOFF_WALL", SCHEME, "Take-off angle to the wall's normal"), DEGREE),
    "takeoff_frontal_deg": (("TAKEOFF_FRONTAL", SCHEME, "Take-off angle, frontal"), DEGREE),
    "takeoff_transverse_deg": (
        ("TAKEOFF_TRANSVERSE", SCHEME, "Take-off angle, transverse"),
        DEGREE,
    ),
    "ostium_error_mm": (("OSTIUM_ERROR", SCHEME, "95 % bound of the ostium's position"), MM),
    "confidence": (("CONFIDENCE", SCHEME, "Confidence in name and ostium"), NUMBER),
}
"""Columns of ``veins.csv`` that are written, with concept and unit."""

VEIN_ANSWERS: Mapping[str, Triple] = {
    "trunk_at_least": ("AT_LEAST", SCHEME, "Length ends with the data: the vein goes on"),
}
"""Columns of ``veins.csv`` that are true or false."""

FIT_MEASURES: Mapping[str, tuple[Triple, Triple]] = {
    "balloon_mm": (("BALLOON", SCHEME, "Diameter of the balloon"), MM),
    "misalignment_deg": (("MISALIGNMENT", SCHEME, "Angle of shaft and vein's axis"), DEGREE),
    "depth_mm": (("DEPTH", SCHEME, "Predicted depth of the balloon's equator"), MM),
    "nose_depth_mm": (("NOSE_DEPTH", SCHEME, "Predicted depth of the balloon's nose"), MM),
    "contact_area_mm2": (("CONTACT_AREA", SCHEME, "Predicted contact area"), MM2),
    "contact_arc_deg": (("CONTACT_ARC", SCHEME, "Predicted contact arc"), DEGREE),
    "leak_width_mm": (("LEAK_WIDTH", SCHEME, "Predicted leak width, or gap in contact"), MM),
    "leak_area_mm2": (("LEAK_AREA", SCHEME, "Predicted leak orifice"), MM2),
    "antral_area_mm2": (("ANTRAL_AREA", SCHEME, "Predicted antral area"), MM2),
    "push_to_seal_n": (("PUSH", SCHEME, "Predicted least push that seals"), NEWTON),
    "seal_probability": (("P_SEAL", SCHEME, "Probability of an antral seal in one try"), NUMBER),
    "seal_probability_low": (
        ("P_SEAL_LOW", SCHEME, "Probability of an antral seal, lower bound"),
        NUMBER,
    ),
    "seal_probability_high": (
        ("P_SEAL_HIGH", SCHEME, "Probability of an antral seal, upper bound"),
        NUMBER,
    ),
    "occlusion_probability": (("P_OCCLUDE", SCHEME, "Probability of occlusion, one try"), NUMBER),
    "occlusion_probability_low": (
        ("P_OCCLUDE_LOW", SCHEME, "Probability of occlusion, lower bound"),
        NUMBER,
    ),
    "occlusion_probability_high": (
        ("P_OCCLUDE_HIGH", SCHEME, "Probability of occlusion, upper bound"),
        NUMBER,
    ),
}
"""Columns of ``fits.csv`` that are written."""

FIT_ANSWERS: Mapping[str, Triple] = {
    "occluded": ("OCCLUDED", SCHEME, "Predicted to occlude"),
    "sealed": ("SEALED", SCHEME, "Predicted to seal by cold contact"),
    "deep": ("DEEP", SCHEME, "Predicted to lie deep"),
}
"""Columns of ``fits.csv`` that are true or false."""

OUTCOMES: Mapping[str, Triple] = {
    "seated": ("SEATED", SCHEME, "Seated"),
    "passes through": ("PASSES", SCHEME, "Passes through"),
    "cannot reach": ("UNREACHED", SCHEME, "Cannot reach"),
    "not assessed": ("UNASSESSED", SCHEME, "Not assessed"),
}
OUTCOME: Triple = ("OUTCOME", SCHEME, "Predicted outcome")
