"""What is known of a case once it is assessed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from html import escape
from typing import Any

from veinfit.anatomy.corrections.apply import Correction
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.model import Anatomy
from veinfit.labels.image import ImageVolume
from veinfit.notes import Note, verdict_first
from veinfit.result.choosing import choose_fit
from veinfit.result.columns import column
from veinfit.result.provenance import Provenance
from veinfit.result.tables import Table, TableKind, as_tables, case_rows
from veinfit.seating.balloon import Balloon
from veinfit.seating.compare import Comparison, comparisons
from veinfit.seating.expected import Expected, expected_seals
from veinfit.seating.further import Crossings
from veinfit.seating.model import Fit
from veinfit.seating.neighbours import Structure
from veinfit.seating.uncertainty.split import ExpectedSplit, expected_splits
from veinfit.settings import Settings


@dataclass(frozen=True, eq=False)
class CaseResult:
    """One case as it was assessed.

    Attributes
    ----------
    anatomy : Anatomy
    fits : tuple of Fit
        Vein by vein in the order of ``anatomy.veins``, balloon by balloon; then
        those of veins that could not be measured, ``not assessed``.
    structures : mapping of str to Surface or (N, 3) array
    notes : tuple of Note
        Those of the input; ``all_notes`` has all.
    settings : Settings
    provenance : Provenance
    source : LumenInput or None
        What the anatomy was found from; a review starts from it.
    by_hand : tuple of Correction
        The corrections as they were given.
    balloons : tuple of Balloon
        Those that were tried.
    crossings : Crossings or None
        Places where the septum may be crossed; None where they are not compared.
    image : ImageVolume or None
        What the labels were drawn on; it is shown, and not archived.
    """

    anatomy: Anatomy
    fits: tuple[Fit, ...]
    structures: Mapping[str, Structure]
    notes: tuple[Note, ...]
    settings: Settings
    provenance: Provenance
    source: LumenInput | None = None
    by_hand: tuple[Correction, ...] = ()
    balloons: tuple[Balloon, ...] = ()
    crossings: Crossings | None = None
    image: ImageVolume | None = None

    def __repr__(self) -> str:
        name = self.provenance.case_id or "case"
        veins = ", ".join(vein.name for vein in self.anatomy.veins)
        balloons = ", ".join(dict.fromkeys(fit.balloon for fit in self.fits))
        return f"CaseResult({name}: {veins}; {balloons}; {len(self.fits)} fits)"

    def _repr_html_(self) -> str:
        return _html(self)

    def fit(self, vein: str, balloon: str | float, approach: str | None = None) -> Fit:
        """Return one fit.

        Parameters
        ----------
        vein : str
            Its name, in any case.
        balloon : str or float
            Its name, or its diameter in mm.
        approach : {'transseptal', 'coaxial'}, optional
            The case's first where not given.

        Returns
        -------
        Fit

        Raises
        ------
        InputError
            There is none; the message says what there is.

        Examples
        --------
        >>> result.fit("LSPV", 28)
        Fit(LSPV, 28 mm, transseptal: seated, occluded, sealed, seal probability 0.75)
        """
        veins = [one.name for one in self.anatomy.veins]
        unmeasured = self.anatomy.unmeasured
        return choose_fit(self.fits, veins, vein, balloon, approach, unmeasured)

    def tables(self, kind: TableKind = "arrow") -> dict[str, Any]:
        """Return the tables of the case, those of its CSV files, by name without the ending.

        Parameters
        ----------
        kind : {'arrow', 'pandas'}
            ``pyarrow.Table``, whose columns carry unit and meaning; or ``pandas.DataFrame``,
            where pandas is installed.

        Returns
        -------
        dict
            ``veins``, ``sections``, ``ridges``, ``label_ostia``, ``fits``, ``leaks``, ``clock``,
            ``aims``, ``growth``, ``expected``, ``comparisons``, ``plans``, ``crossings``; with
            kept tries ``attempts`` too.

        Examples
        --------
        >>> fits = result.tables()["fits"]
        >>> fits.column("vein")[0].as_py(), fits.column("balloon_mm")[0].as_py()
        ('LSPV', 28.0)
        >>> fits.schema.field("depth_mm").metadata[b"unit"]
        b'mm'
        >>> result.tables("pandas")["veins"]["vein"].tolist()
        ['LSPV', 'LIPV', 'RSPV', 'RIPV']
        """
        return as_tables(self.rows, kind)

    @cached_property
    def rows(self) -> dict[str, Table]:
        """The rows of all tables by name; worked out once."""
        return case_rows(
            self.anatomy,
            self.fits,
            tuple(self.structures),
            self.expected,
            self.comparisons,
            self.crossings,
        )

    @cached_property
    def comparisons(self) -> tuple[Comparison, ...]:
        """Every balloon beside the next larger one, vein by vein; worked out once."""
        return comparisons(self.fits, self.settings.seating, self.settings.comparison)

    @cached_property
    def expected(self) -> tuple[Expected, ...]:
        """How many veins each choice of sizes is expected to seal; worked out once."""
        tries = self.settings.margin.steered_attempts
        return tuple(expected_seals(self.fits, steered_tries=tries))

    @cached_property
    def splits(self) -> tuple[ExpectedSplit, ...]:
        """What two balloons can be expected to do between them, vein by vein; worked out once."""
        return tuple(expected_splits(self.fits))

    @property
    def freezing_zones(self) -> dict[str, tuple[float, float]]:
        """By the balloon's name: polar angles from its nose, degrees."""
        told = (
            (str(one["name"]), one.get("zone_from_deg"), one.get("zone_to_deg"))
            for one in self.provenance.balloons
        )
        return {
            name: (float(first), float(last))
            for name, first, last in told
            if isinstance(first, (int, float)) and isinstance(last, (int, float))
        }

    @property
    def unassessed(self) -> tuple[Fit, ...]:
        """The fits about which nothing could be said."""
        return tuple(fit for fit in self.fits if fit.outcome == "not assessed")

    @property
    def all_notes(self) -> tuple[Note, ...]:
        """Notes of the input, the anatomy, its veins and the fits, each once, the verdict first."""
        of_veins = (note for vein in self.anatomy.veins for note in vein.notes)
        of_fits = (note for fit in self.fits for note in fit.notes)
        return verdict_first((*self.notes, *self.anatomy.notes, *of_veins, *of_fits))


SHOWN = (
    "vein", "balloon", "outcome", "occluded", "sealed", "depth_mm", "leak_width_mm", "leak_side",
    "seal_probability", "steered_seal_probability",
)  # fmt: skip
"""Columns of the fits that a notebook shows."""


def _html(result: CaseResult) -> str:
    """Return a table of the fits, as a notebook shows it."""

    def cell(name: str, value: object) -> str:
        if value is None:
            return ""
        if isinstance(value, bool):
            return "yes" if value else "no"
        digits = column("fits", name).shown_digits
        return f"{value:.{digits or 1}f}" if isinstance(value, float) else escape(str(value))

    def told(name: str) -> str:
        return escape(column("fits", name).heading(name))

    head = "".join(f"<th>{told(name)}</th>" for name in SHOWN)
    rows = "".join(
        "<tr>" + "".join(f"<td>{cell(name, getattr(fit, name))}</td>" for name in SHOWN) + "</tr>"
        for fit in result.fits
    )
    return (
        f"<table><caption>{escape(result.provenance.case_id or 'Case')}: predicted seats</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
    )
