"""`python -m duskgate`: the same as the command `duskgate`."""

from .cli import main

main()
