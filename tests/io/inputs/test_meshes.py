"""Mesh files: every format, every frame and unit, and every way to be wrong."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import pyvista
from hypothesis import given
from hypothesis import strategies as st
from vtkmodules.vtkIOXML import vtkXMLPolyDataWriter

from veinfit.errors import InputError
from veinfit.io.inputs import meshes
from veinfit.io.inputs.meshes import MM_PER_UNIT, UNITS, read_mesh
from veinfit.surface.mesh import enclosed_volume, total_area

SIDE = 60.0
CORNERS = np.array([[x, y, z] for x in (0, SIDE) for y in (0, SIDE) for z in (0, SIDE)], float)
CORNERS += (5.0, -7.0, 11.0)
QUADS = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
"""A cube of 60 mm, counter-clockwise seen from outside."""
TRIANGLES = [[q[0], q[i], q[i + 1]] for q in QUADS for i in (1, 2)]
VOLUME = SIDE**3
AREA = 6.0 * SIDE**2


def cube() -> pyvista.PolyData:
    return pyvista.PolyData(CORNERS, faces=np.hstack([[3, *t] for t in TRIANGLES]))


def binary_stl(points=CORNERS, faces=TRIANGLES, header=b"cube") -> bytes:
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *np.asarray(points)[f].ravel(), 0) for f in faces)
    return header.ljust(80, b"\0") + struct.pack("<I", len(faces)) + body


def ascii_stl() -> str:
    lines = ["solid cube"]
    for f in TRIANGLES:
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += ["vertex " + " ".join(f"{x:.6e}" for x in CORNERS[v]) for v in f]
        lines += ["endloop", "endfacet"]
    return "\n".join([*lines, "endsolid cube", ""])


def text_ply(faces=QUADS, extra: str = "") -> str:
    head = f"""ply
format ascii 1.0
comment made by hand
element vertex {len(CORNERS)}
property float x
property float y
property float z
property uchar red
element face {len(faces)}
property list uchar int vertex_indices
{extra}end_header
"""
    rows = [" ".join(f"{x:g}" for x in p) + " 255" for p in CORNERS]
    return head + "\n".join([*rows, *(f"{len(f)} {' '.join(map(str, f))}" for f in faces)]) + "\n"


def binary_ply(order: str = "<") -> bytes:
    """Mixed triangles and quads, a property before the coordinates and a list after the faces."""
    word = "little" if order == "<" else "big"
    faces = [*QUADS[:3], *(t for t in TRIANGLES[6:])]
    head = f"""ply\r
format binary_{word}_endian 1.0\r
element vertex 8\r
property uchar quality\r
property double x\r
property double y\r
property double z\r
element face {len(faces)}\r
property list uchar uint vertex_index\r
property list uchar float texcoord\r
end_header\r
""".encode()
    body = b"".join(struct.pack(order + "B3d", 7, *p) for p in CORNERS)
    for f in faces:
        body += struct.pack(f"{order}B{len(f)}IB2f", len(f), *f, 2, 0.5, 0.5)
    return head + body


def strip_ply() -> str:
    """The cube's sides as one triangle strip and its two lids as two more."""
    ring = [1, 0, 5, 4, 7, 6, 3, 2, 1, 0]
    lids = [0, 2, 4, 6, -1, 1, 5, 3, 7]
    strip = [*ring, -1, *lids]
    head = text_ply([]).split("element face")[0].replace("property uchar red\n", "")
    rows = "\n".join(" ".join(f"{x:g}" for x in p) for p in CORNERS)
    return (
        head
        + "element tristrips 1\nproperty list int int vertex_indices\nend_header\n"
        + f"{rows}\n{len(strip)} {' '.join(map(str, strip))}\n"
    )


def obj() -> str:
    lines = ["# cube", "mtllib none.mtl", "o cube"]
    lines += ["v " + " ".join(f"{x:g}" for x in p) + " 0.5 0.5 0.5" for p in CORNERS]
    lines += ["vt 0 0", "vn 0 0 1", "usemtl red"]
    lines += [f"f {' '.join(f'{v + 1}/1/1' for v in q)}" for q in QUADS[:3]]
    lines += [f"f {' '.join(f'{v + 1}//1' for v in QUADS[3])}"]
    lines += [f"f {' '.join(str(v - 8) for v in QUADS[4])}"]
    a, b, c, d = (v + 1 for v in QUADS[5])
    return "\n".join([*lines, f"f {a} {b} \\", f"{c} {d}", "l 1 2", ""])


def off(keyword: str = "OFF\n") -> str:
    rows = [" ".join(f"{x:g}" for x in p) + "  # a corner" for p in CORNERS]
    rows += [f"4 {' '.join(map(str, q))} 255 0 0" for q in QUADS]
    return f"{keyword}8 6 12\n\n" + "\n".join(rows) + "\n"


def legacy_vtk(binary: bool, tmp_path: Path) -> bytes:
    cube().save(tmp_path / "made.vtk", binary=binary)
    return (tmp_path / "made.vtk").read_bytes()


def vtp(mode: str, tmp_path: Path) -> bytes:
    writer = vtkXMLPolyDataWriter()
    writer.SetInputData(cube())
    writer.SetFileName(str(tmp_path / "made.vtp"))
    getattr(writer, f"SetDataModeTo{mode}")()
    assert writer.Write()
    return (tmp_path / "made.vtp").read_bytes()


def grid_vtk(cells: list[list[int]], kinds: list[int]) -> str:
    """A legacy unstructured grid, as surface meshes are exported too."""
    points = "\n".join(" ".join(f"{x:g}" for x in p) for p in CORNERS)
    rows = "\n".join(f"{len(c)} {' '.join(map(str, c))}" for c in cells)
    size = sum(len(c) + 1 for c in cells)
    return (
        "# vtk DataFile Version 3.0\ncube\nASCII\nDATASET UNSTRUCTURED_GRID\n"
        f"POINTS 8 double\n{points}\nCELLS {len(cells)} {size}\n{rows}\n"
        f"CELL_TYPES {len(kinds)}\n" + "\n".join(map(str, kinds)) + "\n"
    )


def strip_vtk() -> str:
    points = "\n".join(" ".join(f"{x:g}" for x in p) for p in CORNERS)
    strips = [[1, 0, 5, 4, 7, 6, 3, 2, 1, 0], [0, 2, 4, 6], [1, 5, 3, 7]]
    rows = "\n".join(f"{len(s)} {' '.join(map(str, s))}" for s in strips)
    size = sum(len(s) + 1 for s in strips)
    return (
        "# vtk DataFile Version 3.0\ncube\nASCII\nDATASET POLYDATA\n"
        f"POINTS 8 double\n{points}\nTRIANGLE_STRIPS {len(strips)} {size}\n{rows}\n"
    )


GOOD = {
    "binary.stl": lambda _: binary_stl(),
    "named_solid.stl": lambda _: binary_stl(header=b"solid facet normal"),
    "padded.stl": lambda _: binary_stl() + b"\0\0",
    "text.stl": lambda _: ascii_stl(),
    "dos.stl": lambda _: ascii_stl().replace("\n", "\r\n").upper(),
    "UPPER.STL": lambda _: binary_stl(),
    "quads.ply": lambda _: text_ply(),
    "triangles.ply": lambda _: text_ply(TRIANGLES),
    "little.ply": lambda _: binary_ply("<"),
    "big.Ply": lambda _: binary_ply(">"),
    "strips.ply": lambda _: strip_ply(),
    "cube.obj": lambda _: obj(),
    "cube.off": lambda _: off(),
    "one_line.off": lambda _: off("OFF "),
    "colours.off": lambda _: off("COFF\n"),
    "text.vtk": lambda p: legacy_vtk(False, p),
    "binary.vtk": lambda p: legacy_vtk(True, p),
    "grid.vtk": lambda _: grid_vtk(QUADS, [9] * 6),
    "strips.vtk": lambda _: strip_vtk(),
    "ascii.vtp": lambda p: vtp("Ascii", p),
    "binary.vtp": lambda p: vtp("Binary", p),
    "appended.vtp": lambda p: vtp("Appended", p),
}


def written(folder: Path, name: str, content: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize("name", GOOD)
def test_every_format_gives_the_cube(tmp_path, capfd, name):
    surface = read_mesh(written(tmp_path, name, GOOD[name](tmp_path)))
    assert enclosed_volume(surface) == pytest.approx(VOLUME, rel=1e-6)
    assert total_area(surface) == pytest.approx(AREA, rel=1e-6)
    assert surface.points.min(axis=0) == pytest.approx(CORNERS.min(axis=0))
    assert len(surface.faces) == 12
    assert capfd.readouterr() == ("", "")


def test_binary_stl_has_the_published_size():
    # 84 + 50 n bytes (STL description, rpdrc.ic.polyu.edu.hk).
    assert len(binary_stl(faces=TRIANGLES[:4])) == 284


def test_concave_polygon_keeps_its_area(tmp_path):
    """A fan from the first corner would fold over: area 2700 rather than 1500 mm²."""
    arrow = [(0, 0, 0), (60, 30, 0), (0, 60, 0), (10, 30, 0)]
    text = "OFF\n4 1 0\n" + "\n".join(" ".join(map(str, p)) for p in arrow) + "\n4 0 1 2 3\n"
    surface = read_mesh(written(tmp_path, "arrow.off", text))
    assert total_area(surface) == pytest.approx(60 * 60 / 2 - 60 * 10 / 2)


def test_vertices_that_no_triangle_uses_are_left_out(tmp_path):
    text = obj().replace("vt 0 0", "v 9e9 nan 0\nvt 0 0")
    # Relative numbers count from the latest vertex: state them absolutely here.
    text = text.replace(
        f"f {' '.join(str(v - 8) for v in QUADS[4])}", f"f {' '.join(str(v + 1) for v in QUADS[4])}"
    )
    surface = read_mesh(written(tmp_path, "stray.obj", text))
    assert len(surface.points) == 8
    assert enclosed_volume(surface) == pytest.approx(VOLUME)


@pytest.mark.parametrize("unit", UNITS)
def test_units_are_scaled_to_mm(tmp_path, unit):
    path = written(tmp_path, "cube.stl", binary_stl(CORNERS / MM_PER_UNIT[unit]))
    assert enclosed_volume(read_mesh(path, unit=unit)) == pytest.approx(VOLUME, rel=1e-5)


def test_ras_is_turned_not_mirrored(tmp_path):
    """RAS to LPS changes the sign of x and y (DICOM PS3.3 C.7.6.2.1.1; nifti1.h)."""
    path = written(tmp_path, "cube.stl", binary_stl())
    lps, ras = read_mesh(path), read_mesh(path, frame="ras")
    assert ras.points == pytest.approx(lps.points * (-1, -1, 1))
    assert enclosed_volume(ras) == pytest.approx(VOLUME, rel=1e-6)


@given(
    points=st.lists(
        st.tuples(*[st.floats(-80, 80, width=32)] * 3), min_size=3, max_size=12, unique=True
    ),
    frame=st.sampled_from(["lps", "ras"]),
)
def test_binary_stl_round_trip(tmp_path_factory, points, frame):
    corners = np.array([*points, (90.0, 0, 0), (-90.0, 0, 0)])
    faces = [[k, k + 1, k + 2] for k in range(len(corners) - 2)]
    path = written(tmp_path_factory.getbasetemp(), "any.stl", binary_stl(corners, faces))
    surface = read_mesh(path, frame=frame)
    back = surface.points[surface.faces] * ((-1, -1, 1) if frame == "ras" else (1, 1, 1))
    assert np.array_equal(back, corners[np.array(faces)])


# ---- wrong input ----------------------------------------------------------------------------


def refused(path: Path, **options) -> str:
    with pytest.raises(InputError) as caught:
        read_mesh(path, **options)
    message = str(caught.value)
    assert "\n" not in message
    assert str(path) in message
    return message


@pytest.mark.parametrize(
    ("size", "unit", "named"),
    [
        (SIDE / 1000, "mm", "--unit m"),
        (SIDE / 10, "mm", "--unit cm"),
        (SIDE * 1000, "mm", "--unit um"),
        (SIDE, "cm", "--unit mm"),
        (SIDE, "m", "--unit mm"),
    ],
)
def test_other_units_are_named(tmp_path, size, unit, named):
    path = written(tmp_path, "cube.stl", binary_stl(CORNERS * size / SIDE))
    assert refused(path, unit=unit).endswith(f"pass {named}")


@pytest.mark.parametrize("size", [3e-9, 0.6, 300.0, 1e12])
def test_size_that_no_unit_explains(tmp_path, size):
    path = written(tmp_path, "cube.stl", binary_stl(CORNERS * size / SIDE))
    assert "fits in no unit" in refused(path)


def test_text_that_would_take_gigabytes_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(meshes, "LARGEST_TEXT_BYTES", 500)
    message = refused(written(tmp_path, "text.stl", ascii_stl()))
    assert "written as text" in message and "export it in binary form" in message
    assert len(read_mesh(written(tmp_path, "binary.stl", binary_stl())).faces) == len(TRIANGLES)


def test_a_mesh_in_the_sky(tmp_path):
    """So far away that its coordinates hold no tenths of a millimetre."""
    path = written(tmp_path, "cube.obj", obj())
    moved = [
        f"v {float(w[1]) + 1e15} {w[2]} {w[3]}" if (w := line.split())[:1] == ["v"] else line
        for line in path.read_text().splitlines()
    ]
    path.write_text("\n".join(moved))
    message = refused(path)
    assert "1e+15 mm from the origin" in message and "export it again" in message


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_vertices_that_are_not_finite(tmp_path, bad):
    path = written(tmp_path, "c.obj", obj())
    lines = path.read_text().splitlines()
    at = [k for k, line in enumerate(lines) if line.startswith("v ")]
    for v in (3, 6):
        lines[at[v]] = f"v 1 {bad} 2"
    path.write_text("\n".join(lines))
    message = refused(path)
    assert "2 of 8 vertices are not finite" in message
    assert "vertex 3" in message


DAMAGED = {
    "cut.stl": (lambda _: binary_stl()[:-30], "cut short"),
    "short.stl": (lambda _: b"abc", "too few"),
    "noise.stl": (lambda _: bytes(range(256)) * 4, "not STL"),
    "text_cut.stl": (lambda _: ascii_stl()[:-200], "cut short"),
    "two_corners.stl": (lambda _: ascii_stl().replace("vertex", "vortex", 1), "35 vertices"),
    "no_number.stl": (lambda _: ascii_stl().replace("e+01", "e+x1", 1), "could not convert"),
    "cut.ply": (lambda _: binary_ply()[:-10], "face are announced but it ends after 8"),
    "cut_points.ply": (lambda _: binary_ply()[:330], "vertex are announced"),
    "text_cut.ply": (lambda _: text_ply()[:-30], "cut short"),
    "text_row.ply": (lambda _: text_ply().replace("4 0 1 3 2", "4 0 1 3"), "a list of 4 has 3"),
    "no_header.ply": (lambda _: "hello", "no PLY header"),
    "no_format.ply": (lambda _: text_ply().replace("format ascii 1.0\n", ""), "no format"),
    "kind.ply": (lambda _: text_ply().replace("float y", "quad y"), "not understood"),
    "no_y.ply": (lambda _: text_ply().replace("float y", "float w"), "no property 'y'"),
    "no_index.ply": (lambda _: text_ply().replace("vertex_indices", "who"), "no vertex_indices"),
    "index.ply": (lambda _: text_ply().replace("4 0 1 3 2", "4 0 1 3 99"), "vertex 99"),
    "negative.ply": (lambda _: text_ply().replace("4 0 1 3 2", "4 0 1 3 -2"), "vertex -2"),
    "index.obj": (lambda _: obj() + "f 1 2 9999\n", "vertex 9998"),
    "zero.obj": (lambda _: obj() + "f 1 2 0\n", "line 23: a face needs"),
    "number.obj": (lambda _: obj() + "v 1 2 x\n", "line 23: could not convert"),
    "two.obj": (lambda _: obj() + "v 1 2\n", "line 23: a vertex needs three"),
    "bytes.obj": (lambda _: b"\0\1\2", "not text"),
    "prose.obj": (lambda _: "this is a letter\n", "no vertices"),
    "cut.off": (lambda _: off()[:-40], "cut short"),
    "head.off": (lambda _: "OFF\n", "cut short"),
    "counts.off": (lambda _: off().replace("8 6 12", "eight 6"), "line 2: invalid literal"),
    "alone.off": (lambda _: off().replace("8 6 12", "8"), "line 2: the numbers of"),
    "corner.off": (lambda _: off().replace("4 0 1 3 2 255 0 0", "4 0 1"), "a face of 4 corners"),
    "prose.off": (lambda _: "hello\n", "does not begin with OFF"),
    "binary.off": (lambda _: b"OFF BINARY\n\0\0\0\1", "binary OFF"),
    "prose.vtk": (lambda _: "hello\n", "not a whole VTK mesh"),
    "index.vtk": (
        lambda _: grid_vtk(QUADS, [9] * 6).replace("4 0 1 3 2", "4 0 1 3 99"),
        "vertex 99",
    ),
    "solid.vtk": (lambda _: grid_vtk([[0, 1, 2, 4]], [10]), "solid cells"),
    "cut.vtk": (lambda p: legacy_vtk(True, p)[:-60], "the file ends before them"),
    "cut_points.vtk": (lambda p: legacy_vtk(True, p)[:150], "POINTS need"),
    "image.vtk": (
        lambda _: (
            "# vtk DataFile Version 3.0\ni\nASCII\nDATASET STRUCTURED_POINTS\nDIMENSIONS 2 2 2\n"
            "ORIGIN 0 0 0\nSPACING 1 1 1\n"
        ),
        "STRUCTURED_POINTS",
    ),
    "cut.vtp": (lambda p: vtp("Appended", p)[:-300], "VTP mesh"),
    "prose.vtp": (lambda _: "hello\n", "VTP mesh"),
}


@pytest.mark.parametrize("name", DAMAGED)
def test_damaged_files(tmp_path, capfd, name):
    make, says = DAMAGED[name]
    message = refused(written(tmp_path, name, make(tmp_path)))
    assert says in message
    assert message.endswith("export it again")
    assert capfd.readouterr() == ("", "")


NO_TRIANGLES = {
    "none.stl": binary_stl(faces=[]),
    "none.ply": text_ply([]),
    "points.obj": "v 0 0 0\nv 1 1 1\n",
    "lines.obj": "v 0 0 0\nv 60 1 1\nl 1 2\n",
    "none.off": "OFF\n3 0 0\n0 0 0\n1 0 0\n0 1 0\n",
    "none.vtk": "# vtk DataFile Version 3.0\nn\nASCII\nDATASET POLYDATA\nPOINTS 1 float\n0 0 0\n",
}


@pytest.mark.parametrize("name", NO_TRIANGLES)
def test_no_triangles(tmp_path, name):
    assert "no triangles" in refused(written(tmp_path, name, NO_TRIANGLES[name]))


def test_files_that_are_not_there(tmp_path):
    assert "does not exist" in refused(tmp_path / "gone.stl")
    (tmp_path / "folder.stl").mkdir()
    assert "is a folder" in refused(tmp_path / "folder.stl")
    assert "is empty" in refused(written(tmp_path, "empty.ply", b""))


@pytest.mark.parametrize("name", ["atrium.docx", "atrium", "atrium.nii.gz", "stl"])
def test_unknown_extension_lists_the_known(tmp_path, name):
    message = refused(written(tmp_path, name, binary_stl()))
    for suffix in (".stl", ".ply", ".obj", ".off", ".vtk", ".vtp"):
        assert suffix in message


def test_unknown_frame_and_unit(tmp_path):
    path = written(tmp_path, "cube.stl", binary_stl())
    with pytest.raises(InputError, match="frame 'lpi' is not known; pass lps or ras"):
        read_mesh(path, frame="lpi")
    with pytest.raises(InputError, match="unit 'inch' is not known; pass mm, cm, m, um"):
        read_mesh(path, unit="inch")


@pytest.mark.parametrize("name", ["binary.stl", "text.stl", "little.ply", "text.vtk", "binary.vtp"])
def test_whatever_is_cut_off_ends_in_one_line(tmp_path, name):
    """No traceback and no crash wherever a file breaks off: it is read or refused."""
    whole = GOOD[name](tmp_path)
    content = whole.encode() if isinstance(whole, str) else whole
    for share in np.linspace(0.02, 0.98, 20):
        path = written(tmp_path, "cut" + Path(name).suffix, content[: int(share * len(content))])
        try:
            read_mesh(path)
        except InputError as error:
            assert "\n" not in str(error)
        else:
            # Only what follows the faces was lost.
            assert name == "text.vtk"


def test_input_is_left_as_it_was(tmp_path):
    path = written(tmp_path, "cube.ply", text_ply())
    before = path.read_bytes()
    read_mesh(path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["cube.ply"]
