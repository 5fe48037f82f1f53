"""`python -m pipeline.cli`: the command without its script."""

import sys

from pipeline.cli.app import main

sys.exit(main())
