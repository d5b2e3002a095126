"""Where a viewer stands, as the angles that a C-arm's display shows, and what they are called.

The primary angle runs from AP towards the patient's left (LAO, positive) or
right (RAO), the secondary towards the head (cranial, positive) or the feet
(caudal): the positioner angles of DICOM PS3.3 C.8.7.5.1.2 for a supine patient
(from memory).
"""

from __future__ import annotations

import numpy as np

from veinfit.vectors import FloatArray, unit


def viewer_direction(lao_deg: float, cranial_deg: float) -> FloatArray:
    """Return the (3,) unit vector from the patient to a viewer at these angles."""
    a, b = np.radians([lao_deg, cranial_deg])
    return np.array([np.cos(b) * np.sin(a), -np.cos(b) * np.cos(a), np.sin(b)])


def viewer_up(lao_deg: float, cranial_deg: float) -> FloatArray:
    """Return the (3,) unit vector that is up in the picture: the head's side, never tilted."""
    a, b = np.radians([lao_deg, cranial_deg])
    return np.array([-np.sin(b) * np.sin(a), np.sin(b) * np.cos(a), np.cos(b)])


def viewer_angles(towards: FloatArray) -> tuple[float, float]:
    """Return the angles, in degrees, of a direction (3,) from the patient to the viewer."""
    x, y, z = unit(towards)
    level = float(np.hypot(x, y))
    lao = float(np.degrees(np.arctan2(x, -y))) if level > 1e-6 else 0.0
    return lao, float(np.degrees(np.arctan2(z, level)))


def projection_name(lao_deg: float, cranial_deg: float) -> str:
    """Name a projection as clinicians do: ``AP``, ``LAO 45°, cranial 20°``, ``right lateral``.

    Beyond 90 degrees the viewer stands behind the patient: LPO and RPO, counted
    from PA.
    """
    lao = round((lao_deg + 180.0) % 360.0 - 180.0)
    lao = 180 if lao == -180 else lao
    cranial, size, left = round(cranial_deg), abs(lao), lao > 0
    if abs(cranial) == 90:
        return "from the head" if cranial > 0 else "from the feet"
    if size in (0, 180):
        name = "PA" if size else "AP"
    elif size == 90:
        name = "left lateral" if left else "right lateral"
    else:
        oblique = f"AO {size}°" if size < 90 else f"PO {180 - size}°"
        name = ("L" if left else "R") + oblique
    if cranial:
        name += f", {'cranial' if cranial > 0 else 'caudal'} {abs(cranial)}°"
    return name
