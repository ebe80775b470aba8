"""`python -m duskgate.cli`: the same as the command `duskgate`."""

from . import main

main()
