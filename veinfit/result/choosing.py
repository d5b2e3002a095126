"""Which fit of a case is meant, by vein, balloon and approach."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from veinfit.errors import InputError
from veinfit.seating.model import Fit


def choose_fit(
    fits: Sequence[Fit],
    veins: Sequence[str],
    vein: str,
    balloon: str | float,
    approach: str | None = None,
    unmeasured: Mapping[str, str] | None = None,
) -> Fit:
    """Return the fit that is asked for; say what there is where there is none.

    Parameters
    ----------
    fits : sequence of Fit
        Those of the case.
    veins : sequence of str
        Names of the measured veins.
    vein : str
        In any case.
    balloon : str or float
        Its name, or its diameter in mm.
    approach : str, optional
        The headline's where not given.
    unmeasured : mapping of str to str, optional
        Veins without measures, with the reason.

    Raises
    ------
    InputError
        There is no such fit.
    """
    named = {name.lower(): name for name in veins}
    if vein.lower() not in named:
        lost = (unmeasured or {}).get(vein)
        why = f" ({vein} was not measured: {lost})" if lost else ""
        raise InputError(f"vein {vein!r} is not in this case{why}; it has {_list(veins)}")
    of_vein = [fit for fit in fits if fit.vein == named[vein.lower()]]
    wanted = balloon.strip() if isinstance(balloon, str) else f"{balloon:g}"
    size = re.fullmatch(r"(\d+(?:\.\d+)?) ?(?:mm)?", wanted)
    found = [
        fit for fit in of_vein
        if fit.balloon == balloon or (size is not None and fit.balloon_mm == float(size[1]))
    ]  # fmt: skip
    if not found:
        tried = dict.fromkeys(fit.balloon for fit in of_vein)
        raise InputError(f"balloon {balloon!r} was not tried here; there are {_list(tried)}")
    names = list(dict.fromkeys(fit.balloon for fit in found))
    if len(names) > 1:
        raise InputError(f"balloon {balloon!r} is not one of a kind; name one of {_list(names)}")
    approaches = [fit.approach for fit in found]
    if approach is None:
        # The first is the headline of the case.
        return found[0]
    for fit in found:
        if fit.approach == approach:
            return fit
    raise InputError(f"approach {approach!r} is not in this case; it has {_list(approaches)}")


def _list(names: Iterable[str]) -> str:
    return ", ".join(map(str, names)) or "none"
