"""A small sound file of every format that is read, and the reader of each."""

from __future__ import annotations

import gzip
import json
import tempfile
from pathlib import Path
from typing import Any

import handmade
import nibabel
import nrrd
import numpy as np
import pyvista
import SimpleITK
from fuzz.dicom import dicom_seeds
from fuzz.seed import Seed

from veinfit import case
from veinfit.cohort.batch.cases import find_cases
from veinfit.commands.changes import compare
from veinfit.io.inputs.corrections import read_corrections
from veinfit.io.inputs.label_map import read_label_map
from veinfit.io.inputs.landmarks import read_landmarks
from veinfit.io.inputs.meshes import read_mesh
from veinfit.io.inputs.observed import read_observed
from veinfit.io.inputs.volumes import read_volume
from veinfit.io.results.provenance import program_versions
from veinfit.result.provenance import Provenance
from veinfit.seating.balloon_file import balloon_from_toml
from veinfit.settings import Settings
from veinfit.synthetic.draw.distributions import BUILT_IN, read_distributions
from veinfit.validation.predictions import read_predictions


def seeds() -> list[Seed]:
    """Return one of each format and form, in a fixed order."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder)
        found = [*_meshes(path), *_volumes(path), *dicom_seeds(path), *_cases(path), *_texts()]
    return sorted(found, key=lambda seed: seed.name)


def _meshes(folder: Path) -> list[Seed]:
    from vtkmodules.vtkIOLegacy import vtkPolyDataWriter, vtkUnstructuredGridWriter
    from vtkmodules.vtkIOPLY import vtkPLYWriter
    from vtkmodules.vtkIOXML import vtkXMLPolyDataWriter

    ball = pyvista.Sphere(radius=40.0, theta_resolution=9, phi_resolution=7)
    found: list[Seed] = []

    def add(name: str, suffix: str, content: bytes) -> None:
        found.append(Seed(f"{name}{suffix}", f"m{suffix}", content, read_mesh, {}))

    def write(writer: Any, suffix: str, data: Any = ball) -> bytes:
        path = folder / f"m{suffix}"
        writer.SetFileName(str(path))
        writer.SetInputData(data)
        writer.Write()
        return path.read_bytes()

    for binary in (True, False):
        ball.save(folder / "m.stl", binary=binary)
        add("binary" if binary else "text", ".stl", (folder / "m.stl").read_bytes())
        for version in (42, 51):
            for data, legacy in (
                (ball, vtkPolyDataWriter()),
                (ball.cast_to_unstructured_grid(), vtkUnstructuredGridWriter()),
            ):
                legacy.SetFileVersion(version)
                legacy.SetFileTypeToBinary() if binary else legacy.SetFileTypeToASCII()
                form = f"{'binary' if binary else 'text'}-{version}-{type(data).__name__}"
                add(form, ".vtk", write(legacy, ".vtk", data))
    strips = ball.strip()
    legacy = vtkPolyDataWriter()
    legacy.SetFileTypeToBinary()
    add("binary-strips", ".vtk", write(legacy, ".vtk", strips))
    for form, choose in (
        ("text", lambda w: w.SetFileTypeToASCII()),
        ("little", lambda w: (w.SetFileTypeToBinary(), w.SetDataByteOrderToLittleEndian())),
        ("big", lambda w: (w.SetFileTypeToBinary(), w.SetDataByteOrderToBigEndian())),
    ):
        ply = vtkPLYWriter()
        choose(ply)
        add(form, ".ply", write(ply, ".ply"))
    for mode in ("Ascii", "Binary", "Appended"):
        for packing in ("None", "ZLib", "LZ4", "LZMA"):
            if mode == "Ascii" and packing != "None":
                continue
            for encoded in (True, False) if mode == "Appended" else (True,):
                xml = vtkXMLPolyDataWriter()
                getattr(xml, f"SetDataModeTo{mode}")()
                getattr(xml, f"SetCompressorTypeTo{packing}")()
                xml.SetEncodeAppendedData(encoded)
                form = f"{mode.lower()}-{packing.lower()}{'' if encoded else '-raw'}"
                add(form, ".vtp", write(xml, ".vtp"))
    faces = ball.faces.reshape(-1, 4)[:, 1:]
    add(
        "plain",
        ".obj",
        b"# a ball\n"
        + "".join(f"v {x:g} {y:g} {z:g}\n" for x, y, z in ball.points).encode()
        + "".join(f"f {a}/1 {b}/2/3 {c}//4\n" for a, b, c in faces + 1).encode(),
    )
    add(
        "plain",
        ".off",
        f"OFF\n{len(ball.points)} {len(faces)} 0\n".encode()
        + "".join(f"{x:g} {y:g} {z:g}\n" for x, y, z in ball.points).encode()
        + "".join(f"3 {a} {b} {c}\n" for a, b, c in faces).encode(),
    )
    return found


def _volumes(folder: Path) -> list[Seed]:
    values = np.zeros((12, 10, 9), np.int16)
    values[4:8, 3:7, 2:6] = 2
    found: list[Seed] = []

    def add(name: str, file: str, beside: tuple[str, ...] = ()) -> None:
        content = (folder / file).read_bytes()
        others = {other: (folder / other).read_bytes() for other in beside}
        found.append(Seed(f"{name}-{file}", file, content, read_volume, others))

    for name, kind in (("first", nibabel.Nifti1Image), ("second", nibabel.Nifti2Image)):
        nibabel.save(kind(values, np.diag([-1.0, -1.0, 1.0, 1.0])), folder / "v.nii")
        add(name, "v.nii")
        (folder / "v.nii.gz").write_bytes(gzip.compress((folder / "v.nii").read_bytes()))
        add(name, "v.nii.gz")
    fields = {"space": "LPS", "space directions": np.eye(3), "space origin": np.zeros(3)}
    for encoding in ("raw", "gzip", "text", "bzip2"):
        nrrd.write(str(folder / "v.nrrd"), values, {**fields, "encoding": encoding})
        add(encoding, "v.nrrd")
    for encoding, data in (("raw", "v.raw"), ("gzip", "v.raw.gz")):
        nrrd.write(str(folder / "v.nhdr"), values, {**fields, "encoding": encoding})
        add(encoding, "v.nhdr", (data,))
    image = SimpleITK.GetImageFromArray(values)
    for packed in (False, True):
        SimpleITK.WriteImage(image, str(folder / "v.mha"), packed)
        add("packed" if packed else "plain", "v.mha")
        SimpleITK.WriteImage(image, str(folder / "v.mhd"), packed)
        add("packed" if packed else "plain", "v.mhd", ("v.zraw" if packed else "v.raw",))
    return found


def _cases(folder: Path) -> list[Seed]:
    provenance = Provenance(
        "Larkmoor 1", None, None, "lps", "mm", "coaxial", ({"name": "28 mm"},), (),
        program_versions(), "2026-02-01T10:00:00Z",
    )  # fmt: skip
    result = case.CaseResult(
        anatomy=handmade.anatomy(),
        fits=(handmade.fit(), handmade.fit("RIPV")),
        structures={},
        notes=(),
        settings=Settings(),
        provenance=provenance,
    )
    case.write_case(result, folder / "case", pictures=False, report=False)
    document = (folder / "case" / "case.json").read_bytes()
    kept = next((folder / "case").glob("*.npz"))
    table = (folder / "case" / "fits.csv").read_bytes()
    first, *rows = table.decode().splitlines()
    named = "\n".join([f"case,{first}", *(f"one,{row}" for row in rows)]).encode()
    return [
        Seed("record", "case.json", document, lambda path: compare(path.parent, path.parent), {}),
        Seed("predictions", "case.json", document, lambda path: read_predictions(path.parent), {}),
        Seed("archive", kept.name, kept.read_bytes(), lambda path: case.load_case(path.parent), {}),
        Seed("predicted", "fits.csv", named, read_predictions, {}),
    ]


def _texts() -> list[Seed]:
    from importlib.resources import files

    lines = {
        "landmarks.csv": (
            read_landmarks,
            "# frame: ras\nname,x_mm,y_mm,z_mm\noesophagus,1.5,-20,3\noesophagus,1.5,-20,9\n"
            '"right phrenic nerve",4,5,6,,\n',
        ),
        "observed.csv": (
            read_observed,
            "# tried\ncase,patient,vein,balloon,attempt,approach,occlusion_grade,leak_clock_h,"
            "depth_mm\nA,P1,LSPV,28 mm,1,coaxial,4,,-5\nB,,RIPV,28 mm,2,,2,6.5,\n",
        ),
        "cases.csv": (
            lambda path: find_cases([path]),
            "case,input,labels,landmarks,corrections,frame,unit,phase,also\n"
            "one,a.stl,,marks.csv,,ras,cm,45 %,\ntwo,b.nii.gz,b.toml,,,,,,c.nii; d.nii\n",
        ),
        "labels.toml": (
            read_label_map,
            "[labels]\nleft_atrium = 1\npulmonary_veins = [2, 3]\nappendage = 4\n\n"
            "[structures]\noesophagus = 7\n",
        ),
        "corrections.toml": (
            read_corrections,
            'frame = "lps"\nwho = "R. Eader"\n\n[[correction]]\nvein = "LSPV"\nshift_mm = 2.0\n'
            'why = "ridge"\n\n[[correction]]\nvein = "RIPV"\ncentre_mm = [1.0, 2.0, 3.0]\n'
            'normal = [0.0, 0.0, 1.0]\nwhy = "plane"\n',
        ),
        "settings.toml": (
            Settings.from_toml,
            "".join(
                f"{name} = {json.dumps(value)}\n" if name else f"\n[{value}]\n"
                for group, values in Settings().as_mapping().items()
                for name, value in (("", group), *values.items())
            ).replace("Infinity", "inf"),
        ),
        "balloon.toml": (
            balloon_from_toml,
            'name = "tapered"\nprofile = "table"\n'
            "section_mm = [[-14.0, 0.0], [-11.0, 8.0], [0.0, 14.0], [11.0, 8.0], [14.0, 0.0]]\n\n"
            "[freezing_zone]\nfrom_deg = 0.0\nto_deg = 90.0\n",
        ),
    }
    found = [Seed(file, file, text.encode(), read, {}) for file, (read, text) in lines.items()]
    built_in = files("veinfit.synthetic").joinpath(BUILT_IN).read_bytes()
    return [*found, Seed("distributions.toml", "d.toml", built_in, read_distributions, {})]
