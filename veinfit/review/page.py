"""The review page: the 3D view, with handles."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from markupsafe import Markup

from veinfit.report.cautions import CAUTIONS
from veinfit.report.page.pages import environment, template_text
from veinfit.report.viewer.viewer import embedded_json, script_hash, viewer_script
from veinfit.report.viewer.viewer_scene import viewer_scene
from veinfit.review.session import ReviewSession
from veinfit.vein_names import APPENDAGE, VEIN_NAMES

SCRIPTS = (
    "review_entries.js", "review_saving.js", "review_image.js", "review_run.js",
    "review_plane.js", "review_preview.js", "review_page.js",
)  # fmt: skip
"""After those of the 3D view, in the order in which they need one another."""

STYLES = ("viewer.css", "review.css", "review_image.css")


def write_review(session: ReviewSession, back: str = "", of: str = "") -> tuple[str, str]:
    """Return the page of a review, and the content security policy to send it with.

    Parameters
    ----------
    session : ReviewSession
    back : str
        Address of the page from which this one is opened, relative to it.
    of : str
        Which results it shows, where they may be replaced while it is open: the page sends it
        along with all that it asks.

    Returns
    -------
    page : str
    policy : str
    """
    script = "\n" + viewer_script() + "".join(map(template_text, SCRIPTS))
    report = session.report
    review: dict[str, Any] = {
        "names": list(session.names),
        "allowed": [*VEIN_NAMES, "extra-1", "extra-2", "extra-3", APPENDAGE],
        "veins": ["extra-1", "extra-2", "extra-3"],
        "file": session.target.name,
        "of": of,
        "input": asdict(session.mark),
        "run": session.of_run(),
        "image": session.image_view.about() if session.image_view is not None else None,
    }
    page = (
        environment()
        .get_template("review.html.j2")
        .render(
            report=report,
            back=back,
            cautions=CAUTIONS,
            style=Markup("".join(map(template_text, STYLES))),
            image=session.image_view is not None,
            scene=embedded_json(viewer_scene(report)),
            review=embedded_json(review),
            file=session.target.name,
            script=Markup(script),
        )
    )
    policy = (
        f"default-src 'none'; script-src '{script_hash(script)}'; style-src 'unsafe-inline'; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    return page, policy
