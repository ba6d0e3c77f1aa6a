"""The first practice.toml of a place: the template with its region, its allergens, its sources."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from forecast.practice import template
from forecast.settings import parse_settings
from forecast.toml_text import quoted
from models.proposal import propose

_REGION_ID, _CONTACT = "home", "office@practice.example"


@dataclass(frozen=True)
class Home:
    """Where a practice is: degrees north and east, metres, and what it is called."""

    practice: str
    region: str
    latitude: float
    longitude: float
    elevation: float
    time_zone: str
    country: str | None = None
    contact: str | None = None

    @property
    def region_id(self) -> str:
        """The region's name in files."""
        plain = unicodedata.normalize("NFKD", self.region).encode("ascii", "ignore").decode()
        words = re.sub(r"[^a-z0-9]+", "_", plain.lower()).strip("_")
        return words if re.match("[a-z]", words) else _REGION_ID


def first_settings(home: Home, sources: Sequence[str]) -> str:
    """Return the text of a practice.toml that works for a place; it is checked.

    Its allergens are those that grow in that part of the world: no climate is known yet.
    """
    proposed = propose(latitude=home.latitude, longitude=home.longitude)
    allergens = [one.allergen.id for one in proposed if one.is_proposed]
    listed = ", ".join(quoted(name) for name in allergens)
    changed = {
        "practice": {"name": quoted(home.practice)},
        "region": {
            "id": quoted(home.region_id),
            "name": quoted(home.region),
            "latitude": f"{home.latitude:.4f}",
            "longitude": f"{home.longitude:.4f}",
            "elevation": f"{home.elevation:.1f}",
            "time_zone": quoted(home.time_zone),
            "allergens": f"[{listed}]",
        },
    }
    text = _with_values(template(), changed)
    if home.country:
        text = re.sub(r"# country = .*", f"country = {quoted(home.country)}", text, count=1)
    contact = f"contact = {quoted(home.contact or _CONTACT)}   # goes along with every request\n"
    text = text.replace("[sources]\n", f"[sources]\n{'' if home.contact else '# '}{contact}", 1)
    text = re.sub(r"seoul", home.region_id, text)
    pulls = "".join(f"\n[[pull]]\nsource = {quoted(source)}\n" for source in sources)
    text += (
        "\n# Where weather, pollen and flowering dates come from; in this order one fills what\n"
        "# those before it lack. `forepaw sources --all` lists what there is, with its terms.\n"
        f"{pulls}"
    )
    parse_settings(text)
    return text


def _with_values(text: str, changed: dict[str, dict[str, str]]) -> str:
    """Put values in place of those of the template, comments kept."""
    lines, section = [], ""
    for line in text.splitlines():
        header = re.match(r"\[\[?(\w+)\]", line)
        section = header[1] if header else section
        pair = re.match(r"(\w+) = (\"[^\"]*\"|\[[^\]]*\]|[^#]*?)(\s+#.*)?$", line)
        if pair and pair[1] in changed.get(section, {}):
            said = f"{pair[1]} = {changed[section][pair[1]]}"
            comment = (pair[3] or "").strip()
            # comments stay below each other where there is room
            line = f"{said} ".ljust(len(line) - len(comment)) + comment if comment else said
        lines.append(line)
    return "\n".join(lines) + "\n"
