"""The 3D view of a case as one page that needs nothing but a browser."""

from __future__ import annotations

import base64
import hashlib
import json
from typing import Any

from markupsafe import Markup

from veinfit.report.answers.parts import warnings
from veinfit.report.cautions import CAUTIONS
from veinfit.report.model import Report
from veinfit.report.page.pages import environment, template_text
from veinfit.report.viewer.viewer_scene import viewer_scene

SCRIPTS = (
    "viewer_shapes.js", "viewer_drawing.js", "viewer_names.js", "viewer_hands.js", "viewer.js",
)  # fmt: skip
"""The 3D view's scripts, in the order in which they need one another."""


def viewer_script() -> str:
    """Return the script of the 3D view alone, which a page around it puts to use."""
    return "".join(map(template_text, SCRIPTS))


def write_viewer(report: Report) -> str:
    """Return the 3D view of a case as one HTML page: all inside, no network.

    Parameters
    ----------
    report : Report

    Returns
    -------
    str
        The same for the same input. The browser is told to run no script but
        the page's own; names and notes are data.
    """
    script = "\n" + viewer_script() + template_text("viewer_page.js")
    return (
        environment()
        .get_template("viewer.html.j2")
        .render(
            report=report,
            cautions=CAUTIONS,
            warnings=warnings(report),
            style=Markup(template_text("viewer.css")),
            scene=embedded_json(viewer_scene(report)),
            script=Markup(script),
            script_hash=Markup(f"'{script_hash(script)}'"),
        )
    )


def embedded_json(value: Any) -> Markup:
    """Return JSON that no text in it can end or turn into markup inside a ``script``.

    Parameters
    ----------
    value : object
        Plain values, without NaN.

    Returns
    -------
    Markup
    """
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def script_hash(script: str) -> str:
    """Return what a content security policy calls a script by (CSP 3, 2.3.1).

    Parameters
    ----------
    script : str
        As it stands between the tags.

    Returns
    -------
    str
    """
    digest = hashlib.sha256(script.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
