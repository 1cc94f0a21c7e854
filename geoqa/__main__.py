"""`python -m geoqa`."""

import sys

from geoqa.cli import main

if __name__ == "__main__":
    sys.exit(main())
