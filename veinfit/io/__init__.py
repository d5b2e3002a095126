"""Readers and writers: one format or result a module.

The readers below are loaded when first used: each brings a large library.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from veinfit.io.files import hash_file as hash_file
    from veinfit.io.files import input_kind as input_kind
    from veinfit.io.inputs.label_map import read_label_map as read_label_map
    from veinfit.io.inputs.landmarks import read_landmarks as read_landmarks
    from veinfit.io.inputs.meshes import read_mesh as read_mesh
    from veinfit.io.inputs.volumes import read_volume as read_volume

_HOMES = {
    "hash_file": "veinfit.io.files",
    "input_kind": "veinfit.io.files",
    "read_label_map": "veinfit.io.inputs.label_map",
    "read_landmarks": "veinfit.io.inputs.landmarks",
    "read_mesh": "veinfit.io.inputs.meshes",
    "read_volume": "veinfit.io.inputs.volumes",
}
"""Where each public name is defined."""

__all__ = [
    "hash_file",
    "input_kind",
    "read_label_map",
    "read_landmarks",
    "read_mesh",
    "read_volume",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'veinfit.io' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
