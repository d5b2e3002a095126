"""Results as DICOM: read by a toolkit that had no part in writing them, held to the tables."""

from __future__ import annotations

import copy
import dataclasses
import io
import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("highdicom")

import dicom_conformance as conformance
import dicom_made as made
import handmade
import pydicom
import pyvista
import trimesh
from PIL import Image

from veinfit.anatomy.model import Appendage
from veinfit.cli import main
from veinfit.io.dicom import codes as known
from veinfit.io.dicom.documents import encapsulated_walls
from veinfit.io.dicom.study import study_of
from veinfit.io.dicom.writing import FILES, write_dicom
from veinfit.result.fit_rows import fit_row
from veinfit.result.vein_rows import vein_rows
from veinfit.surface import Surface
from veinfit.vectors import apply_affine

ANATOMY = handmade.anatomy()
PARTS = {"surface-body.dcm"}
VEINS = vein_rows(ANATOMY)
FITS = [fit_row(handmade.fit(), ())]


def tool(name, *arguments):
    """Run one of dcmqi's programs, which read DICOM with DCMTK."""
    dcmqi = pytest.importorskip("dcmqi")
    command = [str(Path(dcmqi.__file__).parent / "bin" / name), *map(str, arguments)]
    return subprocess.run(command, check=True, capture_output=True, text=True)


def written(folder, source=None, deidentify=False):
    case = folder / "case"
    (case / "pictures").mkdir(parents=True)
    (case / "report.pdf").write_bytes(b"%PDF-1.4 odd")
    Image.new("RGB", (30, 20), (200, 10, 5)).save(case / "pictures" / "LSPV.png")
    names = write_dicom(
        ANATOMY, VEINS, FITS, case, folder / "dicom",
        sources=() if source is None else (source,), deidentify=deidentify,
        version="0.1.0", created="2026-01-02T03:04:05Z",
    )  # fmt: skip
    assert set(names) == {*FILES, *PARTS, "picture-01.dcm"}
    return {name: pydicom.dcmread(folder / "dicom" / name) for name in names}


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    affine = np.diag([1.0, 1.0, 1.0, 1.0])
    mask = np.zeros((16, 16, 10), bool)
    mask[4:9, 4:9, 2:8] = True
    ds = made.segmentation(made.series(affine, np.zeros(mask.shape)), {"LA": mask}, "BINARY")
    ds.InstitutionName = "Larkmoor (invented)"
    return made.save(ds, tmp_path_factory.mktemp("source") / "source.dcm")


@pytest.fixture(scope="module")
def objects(source, tmp_path_factory):
    folder = tmp_path_factory.mktemp("out")
    return folder / "dicom", written(folder, source)


def groups(folder, tmp_path):
    out = tmp_path / "sr.json"
    tool("tid1500reader", "--inputDICOM", folder / "measurements.dcm", "--outputMetadata", out)
    return json.loads(out.read_text())["Measurements"]


def test_nothing_of_an_earlier_case_stays_beside_a_new_one(objects, source, tmp_path):
    """Its wall and pictures would pass for those of this one; what others made is no concern."""
    out = tmp_path / "dicom"
    out.mkdir()
    theirs = source.read_bytes()
    (out / "picture-02.dcm").write_bytes((objects[0] / "picture-01.dcm").read_bytes())
    (out / "surface-LSPV.dcm").write_bytes((objects[0] / "surface-body.dcm").read_bytes())
    (out / "picture-03.dcm").write_bytes(theirs)
    (out / "surface-LIPV.dcm").write_bytes(b"no DICOM at all")
    (out / "slice-01.dcm").write_bytes((objects[0] / "picture-01.dcm").read_bytes())
    names = set(written(tmp_path, source))
    left = {"picture-03.dcm", "surface-LIPV.dcm", "slice-01.dcm"}
    assert {path.name for path in out.iterdir()} == names | left
    assert (out / "picture-03.dcm").read_bytes() == theirs


def test_the_measures_are_those_of_the_tables(objects, tmp_path):
    found = {g["TrackingIdentifier"]: g for g in groups(objects[0], tmp_path)}
    for row, wanted, key in [
        *((row, known.VEIN_MEASURES, f"{row['vein']} ostium") for row in VEINS),
        (FITS[0], known.FIT_MEASURES, "LSPV 28 mm coaxial"),
    ]:
        group = found.pop(key)
        items = {i["quantity"]["CodeValue"]: i for i in group["measurementItems"]}
        for column, (concept, unit) in wanted.items():
            if row[column] is None:
                assert concept[0] not in items
                continue
            item = items.pop(concept[0])
            assert float(item["value"]) == pytest.approx(row[column], abs=1e-9), column
            assert item["units"]["CodeValue"] == unit[0]
            assert item["quantity"]["CodingSchemeDesignator"] == concept[1]
        assert not items
    assert not found


def test_sites_and_answers_are_coded(objects, tmp_path):
    found = {g["TrackingIdentifier"]: g for g in groups(objects[0], tmp_path)}
    # PS3.16 CID 12280.
    assert found["LSPV ostium"]["FindingSite"]["CodeValue"] == "43863001"
    assert found["RIPV ostium"]["FindingSite"]["CodeValue"] == "113273001"
    answers = {
        item["conceptCode"]["CodeValue"]: item["conceptValue"]["CodeValue"]
        for item in found["LSPV 28 mm coaxial"]["qualitativeEvaluations"]
    }
    assert answers["OUTCOME"] == "SEATED"
    # PS3.16 CID 230: No.
    assert answers["SEALED"] == "373067005"


def test_a_length_to_the_end_of_the_data_is_told_as_such(objects, tmp_path):
    """Without it the archive holds another figure than the report: at least so much."""
    found = {g["TrackingIdentifier"]: g for g in groups(objects[0], tmp_path)}
    yes_no = {True: "373066001", False: "373067005"}
    told = {
        row["vein"]: item["conceptValue"]["CodeValue"]
        for row in VEINS
        for item in found[f"{row['vein']} ostium"]["qualitativeEvaluations"]
        if item["conceptCode"]["CodeValue"] == "AT_LEAST"
    }
    assert told == {row["vein"]: yes_no[row["trunk_at_least"]] for row in VEINS}
    assert set(told.values()) <= set(yes_no.values()) and told


def items_of(ds, kind):
    if ds.get("ValueType") == kind:
        yield ds
    for child in ds.get("ContentSequence", []):
        yield from items_of(child, kind)


def test_ostial_contours_are_spatial_coordinates(objects):
    report = objects[1]["measurements.dcm"]
    found = list(items_of(report, "SCOORD3D"))
    assert len(found) == len(ANATOMY.veins)
    for item, vein in zip(found, ANATOMY.veins, strict=True):
        points = np.array(item.GraphicData).reshape(-1, 3)
        assert points[:-1] == pytest.approx(vein.ostium.contour.points, abs=1e-4)
        assert points[-1] == pytest.approx(points[0])
        assert item.ReferencedFrameOfReferenceUID == objects[1]["ostia.dcm"].FrameOfReferenceUID
    assert report.ContentTemplateSequence[0].TemplateIdentifier == "1500"


def enclosed_area(points):
    """Of a plane polygon: half of the sum of cross products."""
    return np.linalg.norm(np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0)) / 2


def test_the_appendage_has_one_code(objects):
    """Two are in use (33626005; 68786006 with the laterality left): the first is written."""
    from pydicom.sr.codedict import codes

    told = objects[1]["ostia.dcm"].SegmentSequence[-1]
    assert told.SegmentLabel == "LAA ostium"
    region = told.AnatomicRegionSequence[0]
    code = codes.SCT.LeftAuricularAppendage
    assert (region.CodeValue, region.CodingSchemeDesignator) == (code.value, "SCT")
    assert code.value == "33626005"
    assert b"68786006" not in (objects[0] / "ostia.dcm").read_bytes()


def test_ostia_lie_where_they_are(objects, tmp_path):
    import nibabel

    tool(
        "segimage2itkimage", "--inputDICOM", objects[0] / "ostia.dcm",
        "--outputDirectory", tmp_path, "-t", "nii",
    )  # fmt: skip
    ostia = [vein.ostium for vein in ANATOMY.veins]
    for k, ostium in enumerate([*ostia, ANATOMY.appendage], 1):
        image = nibabel.load(tmp_path / f"{k}.nii.gz")
        index = np.argwhere(np.asarray(image.dataobj) > 0)
        points = apply_affine(np.diag([-1.0, -1.0, 1.0, 1.0]) @ image.affine, index)
        assert points.mean(axis=0) == pytest.approx(ostium.centre, abs=0.25)
        # A disc of 1.6 mm: pi d^2 / 4 times its thickness.
        volume = len(points) * abs(np.linalg.det(image.affine[:3, :3]))
        area = enclosed_area(ostium.contour.points)
        assert volume == pytest.approx(area * 1.6, rel=0.06)


def test_files_within_are_what_they_were(objects):
    report, surface = objects[1]["report.dcm"], objects[1]["surface.dcm"]
    content = bytes(report.EncapsulatedDocument)[: report.EncapsulatedDocumentLength]
    assert content == b"%PDF-1.4 odd"
    assert report.MIMETypeOfEncapsulatedDocument == "application/pdf"
    stl = bytes(surface.EncapsulatedDocument)[: surface.EncapsulatedDocumentLength]
    # Binary STL: 84 bytes and 50 a triangle.
    assert len(stl) == 84 + 50 * len(ANATOMY.wall.faces)
    triangles = np.frombuffer(stl[84:], [("v", "<f4", (4, 3)), ("a", "<u2")])["v"]
    assert triangles[:, 1:] == pytest.approx(ANATOMY.wall.points[ANATOMY.wall.faces], abs=1e-4)
    # CID 7063.
    assert surface.MeasurementUnitsCodeSequence[0].CodeValue == "mm"


TUBES = {"LSPV": (1.0, 0.0, 0.0), "RIPV": (-1.0, 0.0, 0.0), "LAA": (0.0, -1.0, 0.0)}


def ball_with_tubes():
    """A ball of 22 mm with two veins and an appendage of 16 mm that end 32 mm from its middle."""
    grid = pyvista.ImageData(dimensions=(75, 75, 75), origin=(-37.0,) * 3, spacing=(1.0,) * 3)
    inside = 22.0 - np.linalg.norm(grid.points, axis=1)
    for direction in TUBES.values():
        along = grid.points @ direction
        beside = np.linalg.norm(grid.points - np.outer(along, direction), axis=1)
        inside = np.maximum(inside, np.minimum(8.0 - beside, np.minimum(along, 32.0 - along)))
    found = grid.contour([0.0], scalars=inside)
    wall = Surface(np.asarray(found.points, float), found.faces.reshape(-1, 4)[:, 1:])
    veins = [
        dataclasses.replace(
            handmade.round_vein(name, 21.5 * np.array(TUBES[name]), TUBES[name], length=10),
            end_rims=(),
        )
        for name in ("LSPV", "RIPV")
    ]
    place = 21.5 * np.array(TUBES["LAA"])
    tip = int(np.argmax(wall.points @ TUBES["LAA"]))
    contour, _ = handmade.circle(place, TUBES["LAA"], 16.0)
    appendage = Appendage(place, np.array(TUBES["LAA"]), contour, tip, 0.7)
    return dataclasses.replace(ANATOMY, wall=wall, veins=tuple(veins), appendage=appendage)


def test_parts_of_the_wall_are_objects_of_one_model():
    study = study_of((), deidentify=False, version="1", created="2026-01-02T03:04:05Z")
    walls = encapsulated_walls(ball_with_tubes(), study)
    assert list(walls) == ["whole", "body", "LSPV", "RIPV", "LAA"]
    assert len({(ds.SeriesInstanceUID, ds.ModelGroupUID) for ds in walls.values()}) == 1
    assert [ds.InstanceNumber for ds in walls.values()] == [1, 2, 3, 4, 5]
    assert walls["LAA"].ContentDescription == "LAA, Left auricular appendage (SCT 33626005)"
    meshes = {}
    for name, ds in walls.items():
        assert conformance.faults(ds) == []
        content = bytes(ds.EncapsulatedDocument)[: ds.EncapsulatedDocumentLength]
        # Another library reads it.
        meshes[name] = trimesh.load(io.BytesIO(content), file_type="stl")
    areas = {name: mesh.area for name, mesh in meshes.items()}
    whole = areas.pop("whole")
    assert sum(areas.values()) == pytest.approx(whole, rel=1e-5)
    for name, direction in TUBES.items():
        along = meshes[name].vertices @ direction
        assert along.min() == pytest.approx(21.5, abs=1.5)
        assert along.max() == pytest.approx(32.0, abs=0.5)
        # A tube of 10.5 mm on a radius of 8 mm, and its end.
        assert areas[name] == pytest.approx(np.pi * (16.0 * 10.5 + 64.0), rel=0.1)


def test_a_picture_is_what_it_was(objects):
    picture = objects[1]["picture-01.dcm"]
    assert picture.pixel_array.shape == (20, 30, 3)
    assert tuple(picture.pixel_array[3, 4]) == (200, 10, 5)
    burned = {name: ds.get("BurnedInAnnotation") for name, ds in objects[1].items()}
    assert (burned["picture-01.dcm"], burned["report.dcm"]) == ("NO", "YES")


def test_all_lie_under_the_study_in_new_series(objects, source):
    origin = pydicom.dcmread(source)
    for ds in objects[1].values():
        assert ds.StudyInstanceUID == origin.StudyInstanceUID
        assert ds.SeriesInstanceUID != origin.SeriesInstanceUID
        for name, value in made.IDENTITY.items():
            assert str(ds.get(name)) == value
        assert ds.SoftwareVersions == "0.1.0"
        told = ds.ContributingEquipmentSequence[0].ContributionDescription
        assert "not for diagnosis on its own" in told
    assert objects[1]["ostia.dcm"].FrameOfReferenceUID == origin.FrameOfReferenceUID
    evidence = objects[1]["measurements.dcm"]
    named = str(evidence.get("CurrentRequestedProcedureEvidenceSequence", "")) + str(
        evidence.get("PertinentOtherEvidenceSequence", "")
    )
    assert origin.SOPInstanceUID in named


def test_nothing_of_the_source_is_left_when_it_is_deidentified(source, tmp_path):
    origin = pydicom.dcmread(source)
    objects = written(tmp_path, source, deidentify=True)
    found = b"".join(p.read_bytes() for p in (tmp_path / "dicom").iterdir())
    uids = [origin.StudyInstanceUID, origin.SeriesInstanceUID, origin.SOPInstanceUID,
            origin.FrameOfReferenceUID]  # fmt: skip
    values = [v for v in made.IDENTITY.values() if len(v) > 1] + ["Larkmoor", *uids]
    assert [text for text in values if str(text).encode() in found] == []
    for ds in objects.values():
        # PS3.15 E.1.1 and CID 7050.
        assert ds.PatientIdentityRemoved == "YES"
        assert ds.DeidentificationMethodCodeSequence[0].CodeValue == "113100"
        assert (ds.PatientName, ds.PatientID, ds.StudyDate) == ("", "", "")
    assert len({ds.StudyInstanceUID for ds in objects.values()}) == 1


def test_without_a_source_the_study_is_new_and_nameless(tmp_path):
    for ds in written(tmp_path).values():
        assert ds.PatientName == "" and ds.StudyInstanceUID


def test_private_codes_are_told():
    text = (Path(__file__).parents[3] / "veinfit" / "io" / "dicom" / "README.md").read_text("utf-8")
    private = {
        triple[0]
        for table in (known.VEIN_MEASURES, known.FIT_MEASURES)
        for triple, _ in table.values()
        if triple[1] == known.SCHEME
    }
    answers = (known.VEIN_ANSWERS, known.FIT_ANSWERS, known.OUTCOMES)
    private |= {triple[0] for table in answers for triple in table.values()}
    assert [code for code in private if f"`{code}`" not in text] == []


def test_every_standard_code_is_in_the_dictionary_with_that_meaning():
    from pydicom.sr._concepts_dict import concepts

    meanings = {
        (scheme, value): meaning
        for scheme, keywords in concepts.items()
        for values in keywords.values()
        for value, (meaning, *_) in values.items()
    }
    used = [
        *known.VEIN_SITES.values(), *known.MODEL_TITLES.values(), *known.YES_NO.values(),
        *(concept for table in (known.VEIN_MEASURES, known.FIT_MEASURES)
          for concept, _ in table.values()),
        known.ANY_VEIN, known.APPENDAGE, known.LEFT_ATRIUM, known.OSTIUM, known.IMAGING,
    ]  # fmt: skip
    checked = [code for code in used if code[1] != known.SCHEME]
    assert len(checked) > 15
    for value, scheme, meaning in checked:
        # The dictionary's wording differs ("structure of ... (body structure)"), not its words.
        words = set(meanings[scheme, value].casefold().replace("venous", "vein").split())
        assert set(meaning.casefold().split()) <= words, value


def test_every_code_written_is_standard_or_told(objects):
    """Of all objects: a code is in the dictionary of pydicom, or private and in the README."""
    from pydicom.sr._concepts_dict import concepts

    standard = {
        (scheme, value)
        for scheme, keywords in concepts.items()
        for values in keywords.values()
        for value in values
    }
    text = (Path(__file__).parents[3] / "veinfit" / "io" / "dicom" / "README.md").read_text("utf-8")
    found = set()

    def note(_, element):
        if element.VR == "SQ" and element.keyword.endswith("CodeSequence"):
            for code in element.value:
                value = code.get("CodeValue") or code.LongCodeValue
                found.add((code.CodingSchemeDesignator, value))

    for ds in objects[1].values():
        ds.walk(note)
    private = {value for scheme, value in found if scheme == known.SCHEME}
    assert len(private) > 10 and [value for value in private if f"`{value}`" not in text] == []
    # Newton is a unit of UCUM that no context group of the dictionary holds; languages are tags
    # of RFC 5646.
    others = {("UCUM", "N"), ("RFC5646", "en-US")}
    rest = {code for code in found if code[0] != known.SCHEME} - others
    assert rest <= standard


def test_codes_are_those_of_the_dictionary():
    from pydicom.sr.codedict import codes

    units = {
        code.value
        for code in (codes.UCUM.Millimeter, codes.UCUM.SquareMillimeter, codes.UCUM.Degree)
    }
    assert {known.MM[0], known.MM2[0], known.DEGREE[0]} == units
    assert known.YES_NO[True][0] == codes.SCT.Yes.value
    assert known.YES_NO[False][0] == codes.SCT.No.value
    assert known.OSTIUM[0] == codes.SCT.Ostium.value
    assert known.IMAGING[0] == codes.SCT.ImagingProcedure.value


def test_deidentify_without_dicom_is_an_error(tmp_path, capsys):
    assert main(["assess", "a.stl", "--out", str(tmp_path / "c"), "--deidentify"]) == 2
    assert "pass --dicom DIR too" in capsys.readouterr().err


def test_objects_are_what_the_standard_s_tables_ask_for(objects):
    for name, ds in objects[1].items():
        assert conformance.faults(ds) == [], name


@pytest.mark.skipif(
    shutil.which("dciodvfy") is None, reason="dciodvfy (dicom3tools) is not installed"
)
def test_a_validator_finds_no_error(objects):
    """It has the conditions of types 1C and 2C, values and their number, and was not made here."""
    for name in objects[1]:
        told = subprocess.run(
            ["dciodvfy", "-new", objects[0] / name], check=False, capture_output=True, text=True
        )
        assert "Error" not in told.stderr + told.stdout, name
        assert told.stderr + told.stdout


def test_the_tables_find_what_is_wanting(objects):
    spoiled = copy.deepcopy(objects[1])
    # PS3.3 C.8.6.1: conversion type is of type 1; C.24.2: the title of type 2.
    spoiled["picture-01.dcm"].ConversionType = ""
    del spoiled["report.dcm"].DocumentTitle
    del spoiled["surface.dcm"].MeasurementUnitsCodeSequence
    spoiled["surface.dcm"].PatientPosition = "HFS"
    found = {name: conformance.faults(ds) for name, ds in spoiled.items()}
    assert found["picture-01.dcm"] == ["sc-equipment/ConversionType: type 1, empty"]
    assert found["report.dcm"] == ["encapsulated-document/DocumentTitle: type 2, missing"]
    assert found["surface.dcm"] == [
        "manufacturing-3d-model/MeasurementUnitsCodeSequence: type 1, missing",
        "PatientPosition: of no module of the IOD",
    ]
