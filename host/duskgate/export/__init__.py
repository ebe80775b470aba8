"""A night in the forms that other programs read: captures, value change dumps, wildlife camera packages, pictures.

Pure but for `picture`: each module turns a recording, tables or facts into the bytes of files, with a sentence on
everything that its form cannot hold. `duskgate export` writes them.
"""
