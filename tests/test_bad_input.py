"""Input that cannot be used: one clear line, exit code 2, and nothing written."""

from __future__ import annotations

import hashlib
import re
from datetime import date, timedelta
from pathlib import Path

import atria
import numpy as np
import pytest
import pyvista

from veinfit.cli import main
from veinfit.surface import Surface


def label_map(folder: Path, text: str) -> str:
    (folder / "map.toml").write_text(text)
    return str(folder / "map.toml")


def text_file(folder: Path, name: str, content: str | bytes) -> str:
    data = content if isinstance(content, bytes) else content.encode()
    (folder / name).write_bytes(data)
    return str(folder / name)


def good_mesh(folder: Path) -> str:
    return str(atria.save_mesh(atria.open_surface(), folder / "atrium.ply"))


def small_mesh(folder: Path) -> str:
    """A mesh of the right size that is no atrium: for faults found before the anatomy."""
    sphere = pyvista.Sphere(radius=30.0)
    sphere.save(folder / "sphere.ply")
    return str(folder / "sphere.ply")


def volume(folder: Path, values: np.ndarray, name: str = "labels.nii.gz") -> str:
    return str(atria.save_volume(values, folder / name))


def two_labels() -> np.ndarray:
    values = atria.ball(np.zeros((70, 70, 70), np.uint8), 30.0, 1)
    values[35:] *= 3
    return values


def missing_file(folder):
    return [str(folder / "gone.stl")], [r"gone\.stl does not exist"]


def folder_as_input(folder):
    (folder / "study").mkdir()
    return [str(folder / "study")], ["study"]


def unknown_extension(folder):
    return [text_file(folder, "atrium.docx", "x")], [r"\.docx", r"\.stl", r"\.nrrd"]


def empty_file(folder):
    return [text_file(folder, "atrium.stl", "")], [r"atrium\.stl is empty"]


def mesh_without_triangles(folder):
    return [text_file(folder, "atrium.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\n")], ["no triangles"]


def not_a_mesh(folder):
    noise = np.random.default_rng(1).bytes(5000)
    return [text_file(folder, "atrium.stl", noise)], [r"atrium\.stl is not a whole STL mesh"]


def not_a_mesh_but_text(folder):
    return [text_file(folder, "atrium.ply", "Dear colleague,\n")], [r"not a whole PLY mesh"]


def nan_vertices(folder):
    surface = atria.open_surface()
    points = surface.points.copy()
    points[5] = np.nan
    path = atria.save_mesh(Surface(points, surface.faces), folder / "atrium.ply")
    return [str(path)], ["1 of", "vertices are not finite"]


def mesh_in_metres(folder):
    path = atria.save_mesh(atria.open_surface(), folder / "atrium.stl", scale=0.001)
    return [str(path)], ["across", "pass --unit m$"]


def unit_that_does_not_fit(folder):
    return [small_mesh(folder), "--unit", "m"], ["m across", "pass --unit mm"]


def volume_without_the_label(folder):
    path = volume(folder, two_labels())
    labels = label_map(folder, "[labels]\nleft_atrium = 9\n")
    return [path, "--labels", labels], [r"map\.toml", "no voxel of left_atrium = 9", "1: ", "3: "]


def misspelt_label_map(folder):
    path = volume(folder, two_labels())
    labels = label_map(folder, "[labels]\nleft_atrum = 1\n")
    return [path, "--labels", labels], [r"map\.toml", "left_atrum", "left_atrium"]


def label_map_that_is_not_toml(folder):
    path = volume(folder, two_labels())
    return [path, "--labels", label_map(folder, "left atrium is 1")], [r"map\.toml"]


def several_values_and_no_map(folder):
    return [volume(folder, two_labels())], ["several values", "1: ", "3: ", "--labels FILE"]


def all_zero_volume(folder):
    return [volume(folder, np.zeros((40, 40, 40)))], ["zero everywhere"]


def two_voxel_volume(folder):
    values = np.zeros((40, 40, 40))
    values[20, 20, 20:22] = 1
    return [volume(folder, values)], ["2 mm across"]


def volume_cut_short(folder):
    path = Path(volume(folder, two_labels()))
    path.write_bytes(path.read_bytes()[:-3000])
    return [str(path)], [r"labels\.nii\.gz"]


def not_a_volume(folder):
    return [text_file(folder, "labels.nrrd", "not a volume")], [r"labels\.nrrd"]


def atrium_without_veins(folder):
    return [small_mesh(folder)], [r"sphere\.ply: no pulmonary vein was found"]


def a_few_triangles(folder):
    """A solid of the size and volume of an atrium, whose corners could pass for veins."""
    pyvista.Tetrahedron(radius=45.0).save(folder / "four.ply")
    return [str(folder / "four.ply")], [
        r"four\.ply: the surface has 4 triangles",
        "export it finer",
    ]


def a_crumpled_surface(folder):
    """Vertices that scatter by several edges: a wall of which every stage makes far too much."""
    ball = pyvista.Sphere(radius=30.0, theta_resolution=90, phi_resolution=90)
    ball.points += np.random.default_rng(1).normal(0.0, 6.0, ball.points.shape)
    ball.save(folder / "noise.ply")
    told = [r"noise\.ply: the surface has \d+ cm2", "folded", "smooth it"]
    return [str(folder / "noise.ply")], told


def volume_without_veins(folder):
    return [volume(folder, atria.ball(np.zeros((70, 70, 70)), 30.0))], ["vein"]


def contradicting_frame(folder):
    return [good_mesh(folder), "--frame", "ras"], ["--frame lps", "--trust-frame"]


def other_contradicting_frame(folder):
    surface = atria.open_surface()
    turned = Surface(surface.points * [-1.0, -1.0, 1.0], surface.faces)
    path = atria.save_mesh(turned, folder / "ras.stl")
    return [str(path)], ["--frame ras", "--trust-frame"]


def balloon_of_nothing(folder):
    return [small_mesh(folder), "--balloon", "0"], ["0 mm is not plausible", "10 to 50 mm"]


def balloon_of_half_a_metre(folder):
    return [small_mesh(folder), "--balloon", "500"], ["500 mm is not plausible", "10 to 50 mm"]


def balloon_that_is_no_number(folder):
    return [small_mesh(folder), "--balloon", "big"], ["'big'", "diameter in mm or a TOML file"]


def balloon_file_with_faults(folder):
    path = text_file(folder, "b.toml", 'name = "b"\nequatorial_diameter_mm = 900\nzone = 1\n')
    return [small_mesh(folder), "--balloon", path], [r"b\.toml", "900", "unknown key zone"]


def two_balloons_of_one_name(folder):
    path = text_file(folder, "b.toml", 'name = "28 mm"\nequatorial_diameter_mm = 27.0\n')
    return [small_mesh(folder), "--balloon", "28", "--balloon", path], ["'28 mm'", "own name"]


def output_that_is_a_file(folder):
    return [small_mesh(folder), "--out", text_file(folder, "out.txt", "x")], ["is not a folder"]


def output_below_a_file(folder):
    below = text_file(folder, "out.txt", "x") + "/deep/case"
    return [small_mesh(folder), "--out", below], ["cannot be made", r"out\.txt is not a folder"]


def settings_with_an_unknown_name(folder):
    path = text_file(
        folder, "s.toml", "[seating]\ngreatest_push_m = 1.0\nring_stiffness_kpa_per_mm = -1\n"
    )
    told = [
        r"s\.toml",
        "'greatest_push_m'",
        "'greatest_push_n'",
        r"ring_stiffness_kpa_per_mm = -1 is outside",
    ]
    return [small_mesh(folder), "--settings", path], told


def an_odd_number_of_sectors(folder):
    path = text_file(folder, "s.toml", "[anatomy]\nsectors = 9\n")
    told = [r"s\.toml", r"anatomy\.sectors = 9 must be a multiple of 2"]
    return [small_mesh(folder), "--settings", path], told


def tries_that_are_no_power_of_two(folder):
    path = text_file(folder, "s.toml", "[margin]\nsamples = 63\n")
    return [small_mesh(folder), "--settings", path], [
        r"margin\.samples = 63 must be a power of two"
    ]


def grades_out_of_order(folder):
    path = text_file(folder, "s.toml", "[seating]\ngrade_small_leak_mm2 = 50.0\n")
    told = [r"grade_small_leak_mm2 = 50 must be at most grade_moderate_leak_mm2 = 35"]
    return [small_mesh(folder), "--settings", path], told


def a_landmark_in_another_unit(folder):
    path = text_file(folder, "l.csv", "name,x_mm,y_mm,z_mm\nphrenic,9000,0,0\n")
    told = [r"l\.csv", r"phrenic lies \d+ mm from the atrium", "check the unit"]
    return [small_mesh(folder), "--landmarks", path], told


def missing_settings(folder):
    return [small_mesh(folder), "--settings", str(folder / "gone.toml")], [r"gone\.toml"]


def labels_for_a_mesh(folder):
    labels = label_map(folder, "[labels]\nleft_atrium = 1\n")
    return [small_mesh(folder), "--labels", labels], ["goes with a volume"]


def frame_for_a_volume(folder):
    return [volume(folder, two_labels()), "--frame", "ras"], ["frame and unit are for meshes"]


def landmarks_without_a_column(folder):
    marks = text_file(folder, "marks.csv", "name,x_mm,y_mm\noesophagus,1,2\n")
    return [small_mesh(folder), "--landmarks", marks], [r"marks\.csv", "z_mm"]


def septal_crossing_outside_the_body(folder):
    marks = text_file(folder, "far.csv", "name,x_mm,y_mm,z_mm\nseptal_crossing,-90,0,0\n")
    return [small_mesh(folder), "--landmarks", marks], [
        "septal_crossing",
        "from the wall",
        "septum",
    ]


def caval_vein_of_two_rows(folder):
    rows = "name,x_mm,y_mm,z_mm\ninferior_vena_cava,-20,0,-40\ninferior_vena_cava,-21,0,-50\n"
    marks = text_file(folder, "caval.csv", rows)
    return [small_mesh(folder), "--landmarks", marks], ["inferior_vena_cava", "2 rows", "one point"]


def septal_crossing_of_two_rows(folder):
    rows = "name,x_mm,y_mm,z_mm\nseptal_crossing,-20,0,0\nseptal_crossing,-21,0,0\n"
    marks = text_file(folder, "two.csv", rows)
    return [small_mesh(folder), "--landmarks", marks], ["septal_crossing", "2 rows", "one point"]


def impossible_date(folder):
    return [small_mesh(folder), "--image-date", "2026-02-29"], ["2026-02-29", "no such day"]


def date_in_another_form(folder):
    return [small_mesh(folder), "--image-date", "29.2.2026"], [
        "29.2.2026",
        "write it as YYYY-MM-DD",
    ]


def date_to_come(folder):
    day = (date.today() + timedelta(days=2)).isoformat()
    return [small_mesh(folder), "--image-date", day], [day, "still to come"]


def case_id_of_two_lines(folder):
    return [small_mesh(folder), "--case-id", "a\nb"], ["case id", "one line"]


CASES = [
    missing_file, folder_as_input, unknown_extension, empty_file, mesh_without_triangles,
    not_a_mesh, not_a_mesh_but_text, nan_vertices, mesh_in_metres, unit_that_does_not_fit,
    volume_without_the_label, misspelt_label_map, label_map_that_is_not_toml,
    several_values_and_no_map, all_zero_volume, two_voxel_volume, volume_cut_short, not_a_volume,
    atrium_without_veins, a_crumpled_surface, a_few_triangles, volume_without_veins,
    pytest.param(contradicting_frame, marks=pytest.mark.slow),
    pytest.param(other_contradicting_frame, marks=pytest.mark.slow),
    balloon_of_nothing, balloon_of_half_a_metre, balloon_that_is_no_number,
    balloon_file_with_faults, two_balloons_of_one_name, output_that_is_a_file,
    output_below_a_file, settings_with_an_unknown_name, missing_settings, labels_for_a_mesh,
    frame_for_a_volume, landmarks_without_a_column, septal_crossing_outside_the_body,
    an_odd_number_of_sectors, tries_that_are_no_power_of_two, grades_out_of_order,
    a_landmark_in_another_unit, septal_crossing_of_two_rows, caval_vein_of_two_rows,
    impossible_date, date_in_another_form, date_to_come, case_id_of_two_lines,
]  # fmt: skip


def state(folder: Path) -> dict[str, str]:
    """Every file and folder below ``folder``, with the hash of what it holds."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        if p.is_file()
        else ""
        for p in folder.rglob("*")
    }


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_bad_input(case, tmp_path, capfd):
    arguments, expected = case(tmp_path)
    if "--out" not in arguments:
        arguments += ["--out", str(tmp_path / "results" / "case")]
    before = state(tmp_path)
    code = main(["assess", *arguments])
    told, complaint = capfd.readouterr()
    assert code == 2
    assert told == ""
    *progress, error = complaint.splitlines()
    assert error.startswith("veinfit: error: ")
    for pattern in expected:
        assert re.search(pattern, error), error
    # Nothing but our own lines: no traceback, no warning of a library.
    assert all(re.match(r"veinfit: (reading the input$|anatomy: )", line) for line in progress)
    assert state(tmp_path) == before


@pytest.mark.parametrize("arguments", [[], ["assess"], ["assess", "a.stl", "--oot", "x"]])
def test_arguments_that_make_no_sense(arguments, capfd):
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    assert stop.value.code == 2
    (line,) = capfd.readouterr().err.splitlines()
    assert re.fullmatch(r"veinfit[ a-z]*: error: .+; see veinfit[ a-z]* --help", line)
