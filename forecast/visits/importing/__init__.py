"""Importing: how files of all kinds land in the records.

`files` has a function for each kind; `landing` is how any file comes in, `visit_landing` how visits
do; `reading` reads our own formats, `archive` keeps raw files.
"""
