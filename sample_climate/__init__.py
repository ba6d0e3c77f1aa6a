"""Eight years-long records of real daily weather, with flowering dates, for demonstration.

What they are, where they come from and what is known of their licence: ``README.md`` and
``MANIFEST.toml`` beside this file. ``build.py`` makes them anew.
"""

from pathlib import Path

FOLDER = Path(__file__).parent
WEATHER_FILE = "weather.nc"
FLOWERING_FILE = "flowering.csv"
STATIONS_FILE = "stations.csv"
MANIFEST_FILE = "MANIFEST.toml"
CANDIDATES_FILE = "candidates.csv"
