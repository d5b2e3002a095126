"""``python -m veinfit``: the command line where its script is not on the path."""

import sys

from veinfit.cli import main

sys.exit(main())
