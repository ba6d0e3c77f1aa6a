"""Which sources a practice uses, at which address, with which key.

practice.toml names each source that is used in a table ``[[pull]]``: `source` is its id, `base_url`
a server of its own, `evaluation` says that free services for non-commercial use may be asked,
`options` are the source's own. A table that names a family gives what its sources share. Keys
stand in the folder ``secrets`` (``<id>.key`` or ``<family>.key``, readable by their owner alone) or
in the environment (``FOREPAW_KEY_<ID>`` or ``FOREPAW_KEY_<FAMILY>``), which goes first.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from forecast.practice import Practice
from forecast.settings_sections import PullSection
from jobs.secrets import SecretError, read_secret
from jobs.sources.source import Source, SourceError, SourceSettings, sources

_VARIABLE = "FOREPAW_KEY_"


def sources_in_use(practice: Practice) -> list[Source]:
    """Return the sources that practice.toml names, as the table has them.

    Raises
    ------
    SourceError
        If an id is neither a source's nor a family's.
    """
    known = sources()
    families = {source.family for source in known.values()}
    named = [section.source for section in practice.settings.pull]
    for name in named:
        if name not in known and name not in families:
            allowed = [*known, *sorted(families - set(known))]
            near = difflib.get_close_matches(name, allowed, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(allowed)}"
            raise SourceError(f"practice.toml names the source {name!r} under [[pull]]; {hint}")
    return [known[name] for name in named if name in known]


def settings_of(
    practice: Practice, source: Source, *, environment: Mapping[str, str] | None = None
) -> SourceSettings:
    """Return what the practice set for a source, with its key if there is one.

    Raises
    ------
    SourceError
        If a key cannot be used, or its file can be read by others.
    """
    sections = {section.source: section for section in practice.settings.pull}
    used = [sections[name] for name in (source.family, source.id) if name in sections]
    return SourceSettings(
        base_url=_last(section.base_url for section in used),
        key=_key(
            practice.secrets_folder, source, os.environ if environment is None else environment
        ),
        evaluation=any(section.evaluation for section in used),
        options=_options(used),
    )


def _last(addresses: Iterable[str | None]) -> str | None:
    given = [address for address in addresses if address is not None]
    return given[-1] if given else None


def _options(sections: Iterable[PullSection]) -> dict[str, object]:
    options: dict[str, object] = {}
    for section in sections:
        options |= section.options
    return options


def _key(folder: Path, source: Source, environment: Mapping[str, str]) -> str | None:
    if not source.key_header:
        return None
    try:
        for name in dict.fromkeys((source.id, source.family)):
            file, variable = folder / f"{name}.key", _VARIABLE + name.upper()
            if (key := read_secret(file, variable, environment=environment)) is not None:
                return key
    except SecretError as refusal:
        raise SourceError(str(refusal)) from refusal
    return None
