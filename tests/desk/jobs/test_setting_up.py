"""From files to a case that can be run: what they are, which part is what, landmarks."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import asdict

import nibabel
import numpy as np
import pytest
from desk.asking import until

from veinfit.case import read_case
from veinfit.desk.jobs.inspecting import inspect
from veinfit.desk.jobs.part_shapes import part_scene
from veinfit.desk.site.remedies import page_words, remedies
from veinfit.desk.store.parts import Assigned, known_name, map_text, proposed
from veinfit.errors import InputError
from veinfit.io.inputs.label_map import read_label_map
from veinfit.io.inputs.landmarks import read_landmarks

TETRAHEDRON = b"OFF\n4 4 0\n0 0 0\n80 0 0\n0 80 0\n0 0 80\n3 0 2 1\n3 0 1 3\n3 0 3 2\n3 1 2 3\n"

EDGES_MM = (1.0, 1.0, 1.5)


def volume(path, values, edges=EDGES_MM):
    # Written by another library; its frame is RAS by its format.
    affine = np.diag([*edges, 1.0])
    nibabel.save(nibabel.Nifti1Image(values, affine), path)
    return path


@pytest.fixture
def labels(tmp_path):
    values = np.zeros((60, 50, 40), np.uint8)
    values[10:50, 10:40, 5:35] = 1
    values[50:58, 20:30, 15:25] = 4
    return volume(tmp_path / "a.nii.gz", values)


def test_a_label_file_tells_its_parts_with_their_volume(labels):
    look = inspect(labels)
    told = dict(look.told)
    assert look.kind == "labels" and not look.fault
    assert told["Voxels"] == "60 × 50 × 40" and told["Spacing"] == "1.00 × 1.00 × 1.50 mm"
    assert told["Extent"] == "60 × 50 × 60 mm"
    # Counted by hand: 40 x 30 x 30 and 8 x 10 x 10 voxels of 1.5 mm³.
    assert [(p.value, p.volume_ml) for p in look.parts] == [(1, 54.0), (4, 1.2)]


def test_a_mesh_tells_what_it_does_not_tell(tmp_path):
    import atria

    look = inspect(atria.save_mesh(atria.open_surface(), tmp_path / "a.ply", scale=0.1))
    told = dict(look.told)
    assert look.kind == "mesh" and look.units == ("cm",)
    assert told["Frame"] == "not told by the file" and "cm" in told["Unit"]
    assert inspect(atria.save_mesh(atria.open_surface(), tmp_path / "b.ply", 30.0)).fault


@pytest.mark.parametrize(
    ("name", "text", "kind"),
    [
        ("m.toml", "[labels]\nleft_atrium = 1", "label map"),
        ("s.toml", "[margin]\nsamples = 2", "settings"),
        ("l.csv", "name,x_mm,y_mm,z_mm\na,1,2,3", "landmarks"),
        ("x.toml", "[labels]\nleft_atriun = 1", "unusable"),
        ("x.stl", "no mesh", "unusable"),
        ("x.nii", "no volume", "unusable"),
        ("readme", "nothing", "unusable"),
    ],
)
def test_other_files_are_known_or_told_why_not(tmp_path, name, text, kind):
    (tmp_path / name).write_text(text)
    look = inspect(tmp_path / name)
    assert look.kind == kind
    assert bool(look.fault) == (kind == "unusable")
    assert str(tmp_path) not in look.fault


def test_an_image_is_told_from_labels(tmp_path):
    values = np.arange(20**3, dtype=np.int16).reshape(20, 20, 20) - 1000
    assert inspect(volume(tmp_path / "ct.nii.gz", values)).kind == "image"


def test_the_map_that_is_made_is_one_that_is_read(labels):
    text, source = map_text(
        [Assigned("a.nii.gz", 1, "left_atrium"), Assigned("a.nii.gz", 4, "oesophagus")]
    )
    assert source == "inputs/a.nii.gz"
    path = labels.with_name("labels.toml")
    path.write_text(text)
    read = read_label_map(path)
    assert dict(read.labels) == {"left_atrium": (1,)}
    assert dict(read.structures) == {"oesophagus": (4,)}
    case = read_case(labels, labels=path)
    assert set(case.structures) == {"oesophagus"}


def test_parts_of_several_files_make_one_map(labels, tmp_path):
    values = np.zeros((60, 50, 40), np.uint8)
    values[2:6, 20:30, 10:30] = 1
    volume(tmp_path / "oesophagus.nii.gz", values)
    looks = [asdict(inspect(tmp_path / n)) for n in ("a.nii.gz", "oesophagus.nii.gz")]
    assert proposed(tmp_path, looks)[1] == [Assigned("oesophagus.nii.gz", 1, "oesophagus")]
    text, _ = map_text(
        [
            Assigned("a.nii.gz", 1, "left_atrium"),
            Assigned("a.nii.gz", 4, "left_atrium"),
            Assigned("oesophagus.nii.gz", 1, "oesophagus"),
        ]
    )
    path = tmp_path / "labels.toml"
    path.write_text(text)
    case = read_case(labels, labels=path)
    assert set(case.structures) == {"oesophagus"}


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ([], "which part is the left atrium"),
        ([("a", 1, "left_atrium"), ("b", 1, "left_atrium")], "one file"),
        ([("a", 1, "left_atrium"), ("a", 2, "x,y")], "letters, digits"),
    ],
)
def test_parts_that_make_no_atrium_are_refused(parts, said):
    with pytest.raises(InputError, match=said):
        map_text([Assigned(*part) for part in parts])


def test_a_stored_map_is_proposed_where_it_fits(labels, tmp_path):
    look = asdict(inspect(labels))
    assert proposed(tmp_path, [look]) == ("", [])
    (tmp_path / "label_maps").mkdir()
    for name, text in {
        "less": "[labels]\nleft_atrium = 1",
        "more": "[labels]\nleft_atrium = 1\nappendage = 4",
        "other": "[labels]\nleft_atrium = 1\nLSPV = 2\nappendage = 4",
        "broken": "[labels",
    }.items():
        (tmp_path / "label_maps" / f"{name}.toml").write_text(text)
    source, parts = proposed(tmp_path, [look])
    assert source == "the stored map more"
    assert {(p.value, p.name) for p in parts} == {(1, "left_atrium"), (4, "appendage")}


def test_shapes_lie_where_the_voxels_are(labels):
    import base64

    found = part_scene([labels], "", "")
    assert [part["value"] for part in found["parts"]] == [1, 4]
    mesh = found["parts"][0]["mesh"]
    steps = np.frombuffer(base64.b64decode(mesh["points"]), "<u2").reshape(-1, 3)
    points = np.array(mesh["low"]) + steps * mesh["step"]
    # RAS voxels 10 to 49 lie at -49 to -10 in LPS; the surface is half a voxel out, smoothed.
    assert np.allclose(points.min(axis=0), [-49.5, -39.5, 6.75], atol=0.8)
    assert np.allclose(points.max(axis=0), [-9.5, -9.5, 51.75], atol=0.8)
    # Each part is told by its number, at places of its surface.
    names = found["scene"]["names"]
    assert [name["text"] for name in names] == ["1", "4"]
    for low, high, name in ((-49.5, -9.5, names[0]), (-57.5, -49.5, names[1])):
        x = np.array(name["places"])[:, 0]
        assert 3 < len(x) <= 60 and low - 0.8 < x.min() and x.max() < high + 0.8


def test_the_small_picture_shows_the_parts_from_behind(labels):
    import base64
    import io

    from PIL import Image

    found = part_scene([labels], "", "")
    png = base64.b64decode(found["picture"])
    pixels = np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)
    painted = np.argwhere((pixels < 250).any(axis=-1))
    # 48 mm across and 45 mm high (RAS voxels 10 to 57, and 5 to 34 of 1.5 mm).
    (top, left), (bottom, right) = painted.min(axis=0), painted.max(axis=0)
    assert (right - left) / (bottom - top) == pytest.approx(48 / 45, abs=0.1)
    # The smaller part lies to the patient's right, which from behind is on the right.
    main, small = (np.array(pixels[60, x]) for x in (left + 30, right - 3))
    assert np.abs(main - small).max() > 20


def test_dicom_tells_its_segments_by_their_codes_and_slices_are_one_image(client, desk, tmp_path):
    import dicom_made as made

    affine = np.diag([1.0, 1.0, 2.0, 1.0])
    slices = made.series(affine, np.zeros((24, 20, 12), np.int16))
    mask = np.zeros((24, 20, 12), bool)
    mask[5:15, 5:15, 2:8] = True
    seg = made.segmentation(slices, {"left_atrium": mask}, "BINARY")
    made.save(seg, tmp_path / "seg.dcm")
    look = inspect(tmp_path / "seg.dcm")
    # 10 x 10 x 6 voxels of 2 mm³.
    assert [(p.volume_ml, p.meaning) for p in look.parts] == [(1.2, "left_atrium")]
    made.save(made.enhanced(affine, np.zeros((24, 20, 12))), tmp_path / "frames.dcm")
    frames = inspect(tmp_path / "frames.dcm")
    assert frames.kind == "image" and ("Voxels", "24 × 20 × 12") in frames.told
    client.told("new", {"name": "d"})
    client.send("d", "seg.dcm", (tmp_path / "seg.dcm").read_bytes())
    for k, ds in enumerate(slices):
        made.save(ds, tmp_path / f"{k}.dcm")
        client.send("d", f"{k}.dcm", (tmp_path / f"{k}.dcm").read_bytes())
    told = client.told("case/d/setup")
    assert [f["kind"] for f in told["files"]] == ["labels", "image"]
    assert desk.case("d").options.image == "inputs"
    assert told["source"] == "the codes in the file"
    parts = [["seg.dcm", 1, "left_atrium"]]
    assert client.told("case/d/parts", {"parts": parts}) == {}
    assert desk.case("d").options.input == "inputs/seg.dcm"


def test_many_meshes_get_their_frame_at_once_and_run(client, desk):
    for name in "ab":
        client.told("new", {"name": name})
        client.send(name, "m.off", TETRAHEDRON)
        client.told(f"case/{name}/setup")
    assert client.told("run-ready", {}) == {"queued": 0}
    options = {"frame": "ras", "unit": "mm"}
    told = client.told("case/a/options", {"options": options, "all_meshes": True})
    assert told["also"] == 1 and desk.case("b").options.frame == "ras"
    assert client.told("run-ready", {}) == {"queued": 2}
    until(lambda: not desk.runs.busy())
    assert {one["state"] for one in client.told("states")["cases"]} == {"to review"}


@pytest.mark.parametrize(
    ("reason", "words", "options"),
    [
        (
            "the anatomy contradicts the frame lps: it fits only when turned; pass --frame ras if "
            "the file is in RAS, or pass --trust-frame if it is right all the same",
            "the anatomy contradicts the frame lps: it fits only when turned",
            [{"frame": "ras"}, {"trust_frame": True}],
        ),
        ("it is 9 mm across: it fits cm; pass --unit cm", "it is 9 mm across: it fits cm",
         [{"unit": "cm"}]),
        ("volume x is damaged; export it again", "volume x is damaged; export it again", []),
        ("", "", []),
    ],
)  # fmt: skip
def test_a_reason_is_told_in_the_words_of_a_page(reason, words, options):
    assert page_words(reason) == words
    assert [one.options for one in remedies(reason)] == options


def test_from_a_dropped_file_to_a_case_that_can_be_run(client, desk, labels):
    name = client.told("new", {"name": "Larkmoor 9", "who": "reader 1"})["name"]
    client.send(name, "a.nii.gz", labels.read_bytes())
    told = client.told("case/Larkmoor%209/setup")
    assert [f["kind"] for f in told["files"]] == ["labels"] and "left atrium" in told["missing"]
    assert "left atrium" in client.told("case/Larkmoor%209/run", {})["fault"]
    parts = [["a.nii.gz", 1, "left_atrium"], ["a.nii.gz", 4, "oesophagus"]]
    assert client.told("case/Larkmoor%209/parts", {"parts": parts, "keep_as": "site A"}) == {}
    marks = {"septal_crossing": [[-20.0, -20.0, 30.0]]}
    assert client.told("case/Larkmoor%209/landmarks", {"marks": marks}) == {}
    case = desk.case(name)
    assert not case.options.missing and case.options.labels == "inputs/desk.labels.toml"
    assert read_landmarks(case.path / case.options.landmarks)["septal_crossing"].shape == (1, 3)
    assert (desk.folder / "label_maps" / "site A.toml").is_file()
    # The next file with these values is met with the kept map.
    other = client.told("new", {"name": "b"})["name"]
    client.send(other, "a.nii.gz", labels.read_bytes())
    told = client.told(f"case/{other}/setup")
    assert told["source"] == "the stored map site A" and len(told["assigned"]) == 2
    scene = client.told(f"case/{other}/shapes")
    assert len(scene["parts"]) == 2


def test_a_map_landmarks_and_a_mesh_are_taken_over_by_themselves(client, desk, labels):
    client.told("new", {"name": "c"})
    client.send("c", "a.nii.gz", labels.read_bytes())
    client.send("c", "mine.toml", b"[labels]\nleft_atrium = [1, 4]")
    client.send("c", "marks.csv", b"name,x_mm,y_mm,z_mm\noesophagus,1,2,3")
    told = client.told("case/c/setup")
    options = desk.case("c").options
    assert (options.input, options.labels, options.landmarks) == (
        "inputs/a.nii.gz", "inputs/mine.toml", "inputs/marks.csv",
    )  # fmt: skip
    assert told["missing"] == "" and told["marks"] == {"oesophagus": [[1.0, 2.0, 3.0]]}
    client.told("case/c/take-out", {"path": "inputs/mine.toml"})
    assert desk.case("c").options.labels == ""
    client.send("c", "b.off", TETRAHEDRON)
    assert client.told("case/c/setup")["contradictions"]


def test_files_that_lie_in_the_folder_are_referred_to(client, desk, labels):
    (desk.folder / "b.nii.gz").write_bytes(labels.read_bytes())
    (desk.folder / "b.labels.toml").write_text("[labels]\nleft_atrium = 1")
    assert desk.loose() == ["b.nii.gz"]
    assert client.told("loose", {}) == {"made": 1}
    assert desk.loose() == []
    assert client.told("case/b/setup")["missing"] == ""
    assert desk.case("b").options.input == "../b.nii.gz"
    assert (desk.folder / "b.nii.gz").read_bytes() == labels.read_bytes()


def test_without_the_extra_one_line_says_what_to_do(tmp_path):
    told = subprocess.run(
        [sys.executable, "-c", "import sys\n"
         "for name in ('starlette', 'uvicorn'): sys.modules[name] = None\n"
         "import importlib.util as u; real = u.find_spec\n"
         "u.find_spec = lambda n, *a: None if n in ('starlette', 'uvicorn') else real(n, *a)\n"
         "from veinfit.cli import main; sys.exit(main(sys.argv[1:]))", "desk", str(tmp_path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.returncode == 2
    assert told.stderr.splitlines() == [
        'veinfit: error: the desk needs the extra desk; install it with pip install "veinfit[desk]"'
    ]


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("left atrium", "left_atrium"),
        (" Left-Atrium ", "left_atrium"),
        ("lspv", "LSPV"),
        ("rmpv-2", "RMPV-2"),
        ("Oesophagus", "oesophagus"),
        ("trachea", "trachea"),
        ("", ""),
    ],
)
def test_a_known_name_is_known_however_it_is_spelt(written, meant):
    assert known_name(written) == meant
