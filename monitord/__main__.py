"""`python -m monitord` is the command `monitord`."""

import sys

from monitord.cli import main

if __name__ == "__main__":
    sys.exit(main())
