"""Exports: a practice's own files read into visits through its layouts; without the records.

From outside in: `export` (bytes to visits) and `looking` (what a file is, before it is imported)
stand on `layout` (which column is what), `lines` (typed, checked rows) and `gathering` (lines to
one row a visit and patient).
"""
