"""`python -m tallywell` is the command `tallywell`."""

import sys

from tallywell.commandline import main

sys.exit(main())
