"""Prints this folder's README: ``python -m veinfit.settings > veinfit/settings/README.md``."""

from __future__ import annotations

import sys

from veinfit.settings.table import settings_page

if __name__ == "__main__":
    sys.stdout.write(settings_page())
