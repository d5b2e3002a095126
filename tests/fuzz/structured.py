"""Ways to spoil a file that know its form: the fields of a header, the cells of a table.

Bytes that are changed blindly seldom leave a file that is whole and says something absurd.
"""

from __future__ import annotations

import io
import json
import random
import re
import struct
import zipfile
from collections.abc import Callable
from typing import Any

NIFTI_FIELDS: dict[str, tuple[int, str, int]] = {
    "dim": (40, "h", 8), "intent_code": (68, "h", 1), "datatype": (70, "h", 1),
    "bitpix": (72, "h", 1), "pixdim": (76, "f", 8), "vox_offset": (108, "f", 1),
    "scl_slope": (112, "f", 1), "scl_inter": (116, "f", 1), "xyzt_units": (123, "B", 1),
    "qform_code": (252, "h", 1), "sform_code": (254, "h", 1), "quatern": (256, "f", 3),
    "qoffset": (268, "f", 3), "srow": (280, "f", 12),
}  # fmt: skip
"""Offset, type and count of the fields of a NIfTI-1 header that a reader uses (nifti1.h)."""
NIFTI_HEADER = 348

WHOLE = (0, 1, -1, 2, 3, 4, 7, 8, 16, 64, 128, 256, 512, 768, 1024, 2304, 32767, -32768)
REAL = (0.0, -0.0, 1.0, -1.0, 0.5, 1e-30, -1e30, 3e38, float("nan"), float("inf"), -float("inf"))

TOML_VALUES = (
    "{}", "[]", "[[]]", '""', '"x"', "true", "nan", "inf", "-inf", "-0.0", "1e308", "1979-05-27",
    "9223372036854775807", "-9223372036854775808", "0x7fffffff", "{a = 1}", "[1, \"a\"]", "[nan]",
    "[{}]", "[0.0, 0.0, 0.0]", "[1e308, 1e308, 1e308]", "'''a\nb'''", '"\\u0000"', '"\\u202e"',
    "[" * 400 + "]" * 400, "{a = " * 300 + "1" + "}" * 300, '"' + "x" * 200_000 + '"',
)  # fmt: skip
CELLS = (
    "", " ", "nan", "-inf", "1e309", "-0", "1,5", '"', '""', '"a\nb"', "'1", "=1+1", "\u202e",
    "\x00", "0x1F", "1e-400", "true", "LSPV", "../../etc/passwd", "x" * 140_000,
    "\u00bd", "\uff11", "1_0",
)  # fmt: skip
ENCODINGS = (
    "utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-8-sig", "cp1252", "utf-7",
)  # fmt: skip

TOML_LINE = re.compile(r"^(\s*[\w.\"-]+\s*=\s*)(.+)$")


def structured(content: bytes, rng: random.Random) -> bytes | None:
    """Return a file with something absurd in a sound frame; None where its form is not known."""
    for fits, change in FORMS:
        if fits(content):
            return change(content, rng)
    return None


def _nifti(content: bytes, rng: random.Random) -> bytes:
    changed = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 3))):
        start, kind, count = NIFTI_FIELDS[rng.choice(list(NIFTI_FIELDS))]
        place = start + rng.randrange(count) * struct.calcsize(kind)
        value: Any = rng.choice(REAL if kind == "f" else WHOLE)
        struct.pack_into(f"<{kind}", changed, place, value & 0xFF if kind == "B" else value)
    return bytes(changed)


def _zip(content: bytes, rng: random.Random) -> bytes:
    """Change the tree of an archive, or the head of one of its arrays; its sums are right."""
    from fuzz.mutations import other_tree

    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        members = {name: packed.read(name) for name in packed.namelist()}
    name = "tree.npy" if rng.random() < 0.7 else rng.choice(sorted(members))
    data = members[name]
    if name == "tree.npy":
        start = 10 + int.from_bytes(data[8:10], "little")
        text = json.dumps(other_tree(json.loads(data[start:]), rng)).encode()
        members[name] = _npy(text)
    else:
        head = data[: 10 + int.from_bytes(data[8:10], "little")]
        shape = rng.choice((b"(999999999,)", b"(-1,)", b"()", b"(2, 2)", b"(1e9,)", b"x"))
        members[name] = re.sub(rb"\([^)]*\)", shape, head) + data[len(head) :]
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as packed:
        for name, data in members.items():
            packed.writestr(zipfile.ZipInfo(name), data)
    return stream.getvalue()


def _npy(data: bytes) -> bytes:
    head = f"{{'descr': '|u1', 'fortran_order': False, 'shape': ({len(data)},), }}".encode()
    return b"\x93NUMPY\x01\x00" + len(head).to_bytes(2, "little") + head + data


def _dicom(content: bytes, rng: random.Random) -> bytes:
    """Drop an element, or give it a value of its own kind that makes no sense."""
    from pydicom import config, dcmread
    from pydicom.dataset import Dataset
    from pydicom.sequence import Sequence

    quiet = config.settings.writing_validation_mode
    config.settings.writing_validation_mode = config.IGNORE
    try:
        ds = dcmread(io.BytesIO(content))
        for _ in range(rng.choice((1, 1, 2))):
            place: Any = ds
            while True:
                tags = sorted(place.keys())
                if not tags:
                    break
                element = place[rng.choice(tags)]
                if element.VR == "SQ" and len(element.value) and rng.random() < 0.8:
                    place = rng.choice(list(element.value))
                    continue
                if rng.random() < 0.3:
                    del place[element.tag]
                elif element.VR == "SQ":
                    element.value = rng.choice(
                        (Sequence(), Sequence([Dataset()]), Sequence(list(element.value) * 3))
                    )
                elif element.VR in ("DS", "IS", "FD", "FL", "US", "SS", "UL", "SL"):
                    element.value = _number(element, rng)
                elif element.VR in ("OB", "OW"):
                    element.value = element.value[: rng.randrange(1 + len(element.value) // 2) * 2]
                else:
                    element.value = rng.choice(
                        ("", "X" * 60, "1.2.3", "\\\\", str(element.value)[::-1])
                    )
                break
        stream = io.BytesIO()
        ds.save_as(stream, enforce_file_format=True)
        return stream.getvalue()
    except Exception:
        # What cannot be written is no file.
        return content[: rng.randrange(len(content))]
    finally:
        config.settings.writing_validation_mode = quiet


def _number(element: Any, rng: random.Random) -> Any:
    if element.VR in ("US", "UL"):
        one: Any = rng.choice((0, 1, 2, 3, 8, 255, 65535))
    elif element.VR in ("SS", "SL", "IS"):
        one = rng.choice((0, 1, -1, 7, 32767, -32768))
    else:
        one = rng.choice((0.0, -1.0, 1e-9, 1e9, 0.5, 1e30))
    many = element.VM if rng.random() < 0.7 else rng.choice((1, 2, 3, 6))
    values = list(element.value) if element.VM > 1 else [element.value]
    if many == element.VM and many > 1 and rng.random() < 0.6:
        values[rng.randrange(many)] = one
        return values
    return [one] * many if many > 1 else one


def _text(content: bytes, rng: random.Random) -> bytes:
    text = content.decode()
    lines = text.split("\n")
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        lines = rng.choice((_value, _value, _value, _twice, _table, _headless))(lines or [""], rng)
    text = "\n".join(lines)
    if rng.random() < 0.2:
        text = text.replace("\n", rng.choice(("\r\n", "\r", "\u2028", "\x0b")))
    if rng.random() < 0.2:
        return text.encode(rng.choice(ENCODINGS), "replace")
    return text.encode()


def _value(lines: list[str], rng: random.Random) -> list[str]:
    """Give a key, or a cell, another value."""
    k = rng.randrange(len(lines))
    found = TOML_LINE.match(lines[k])
    if found:
        lines[k] = found.group(1) + rng.choice(TOML_VALUES)
    elif "," in lines[k]:
        cells = lines[k].split(",")
        cells[rng.randrange(len(cells))] = rng.choice(CELLS)
        lines[k] = ",".join(cells)
    return lines


def _twice(lines: list[str], rng: random.Random) -> list[str]:
    """Write a line twice, at once or many times."""
    k = rng.randrange(len(lines))
    return [*lines[:k], *[lines[k]] * rng.choice((2, 2, 3, 5000)), *lines[k + 1 :]]


def _table(lines: list[str], rng: random.Random) -> list[str]:
    """Begin a table where none belongs, or exchange the separator of all cells."""
    if any("," in line and "=" not in line for line in lines):
        other = rng.choice((";", "\t", ", ", ",,", "|"))
        return [line.replace(",", other) for line in lines]
    k = rng.randrange(1 + len(lines))
    head = rng.choice(("[labels]", "[seating]", "[[correction]]", "[a.b.c]", "[]", "[[seating]]"))
    return [*lines[:k], head, *lines[k:]]


def _headless(lines: list[str], rng: random.Random) -> list[str]:
    """Leave out what is a table's head, or all that comes below it."""
    heads = [k for k, line in enumerate(lines) if line.startswith("[")] or [0]
    k = rng.choice(heads)
    return lines[: k + 1] if rng.random() < 0.5 else [*lines[:k], *lines[k + 1 :]]


def _is_text(content: bytes) -> bool:
    """Tell what people write from what programs write: short, and no mesh or volume."""
    if len(content) > 40_000 or b"\0" in content or content[:1] in b"{":
        return False
    first = content.lstrip()[:12].lower()
    others = (
        b"solid",
        b"ply",
        b"off",
        b"nrrd",
        b"# vtk",
        b"<?xml",
        b"<vtk",
        b"objecttype",
        b"# a ball",
    )
    return not first.startswith(others)


FORMS: tuple[tuple[Callable[[bytes], bool], Callable[[bytes, random.Random], bytes]], ...] = (
    (lambda c: c[:4] == NIFTI_HEADER.to_bytes(4, "little"), _nifti),
    (lambda c: c[:2] == b"PK", _zip),
    (lambda c: c[128:132] == b"DICM", _dicom),
    (_is_text, _text),
)
"""How a form is told, and what spoils it."""
