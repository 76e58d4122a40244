"""`python -m tapsig`."""

import sys

from tapsig.cli import main

sys.exit(main())
