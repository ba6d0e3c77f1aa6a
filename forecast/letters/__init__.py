"""What goes out to owners: letters, calendars, recalls; and the gate that each of them passes.

A letter is one value (`letter.Letter`) that two renderers only set: HTML and PDF. A calendar is the
list of events that an owner's calendar holds; each change or end of a plan revises that list.
"""
