"""A package, so that `from tests import fakes` finds this folder and no other of that name."""
