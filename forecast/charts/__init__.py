"""Figures of a forecast, one a file: values in, a chart out. Imports nothing of `forecast`."""
