"""The page that tells every setting, made from the settings themselves."""

from __future__ import annotations

from veinfit.settings.whole import Settings, describe

HEAD = """# Settings

`--settings FILE` reads a TOML file with one table a group; what it does not name keeps its default.
A name that does not exist and a value out of range are errors that say so.

```toml
[seating]
greatest_push_n = 0.8

[margin]
samples = 128
```

This page is made from the settings: `python -m veinfit.settings > veinfit/settings/README.md`.

| setting | default | unit | meaning | basis |
|---|---|---|---|---|
"""


def settings_page() -> str:
    """Return the page in Markdown: a row a setting, with default, unit, meaning and basis."""
    rows = []
    for group, name, value, about in describe(Settings()):
        shown = value if isinstance(value, str) else f"{value:g}"
        if isinstance(value, bool):
            shown = "true" if value else "false"
        cells = (f"`{group}.{name}`", shown, about["unit"], about["meaning"], about["basis"])
        rows.append("| " + " | ".join(cells) + " |\n")
    return HEAD + "".join(rows)
