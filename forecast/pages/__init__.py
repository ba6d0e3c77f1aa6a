"""The web application: signed in, on a tablet, the season at a glance. Pages insert requests only.

A page is a handler that answers with a frozen object; the same object gives HTML, JSON and CSV.
"""
