"""The case definition as a text that a practice keeps: rules, item classes, codes, own words."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Any

from forecast.toml_text import did_you_mean
from forecast.visits.case_definition.clauses import abbreviations
from forecast.visits.case_definition.lexicon import Lexicon
from forecast.visits.case_definition.signals import WORD_SIGNALS, SentenceReading
from forecast.visits.case_definition.things import Reach
from forecast.visits.exports.layout import item_classes
from models.errors import ForepawError
from models.parameters import ParameterTable, load_table, parse_table

_PACKAGE = "forecast.visits.case_definition"
_WORDS = f"{_PACKAGE}.words"
_SHIPPED = "definition.toml"
_READING = 1  # raise it when the code reads the same note in another way: verdicts change with it
CERTAINTIES = ("definite", "probable", "possible")
FLARE_CERTAINTIES = ("definite", "probable")
NO_CERTAINTY = "none"
ITCH_FLARE, OTHER = "itch flare", "other"  # kinds of visits; the other two are the keys of [kind]
CAUSE, PLANNED = "cause", "planned"
# Groups whose keys must be those of the shipped text, and groups whose keys a practice chooses.
_FIXED = ("about", "certainty", "kind", "reach")
_FREE = ("exclusion", "items", "codes", "more_words", "fewer_words")
_FUZZY = (
    "signs.itch", "signs.itch_predicates", "signs.ear_disease", "signs.foot_disease",
    "signs.allergy",
)  # fmt: skip
_MOST_SIGNALS = 62
_HASH_SHOWN = 8


class CaseDefinitionError(ForepawError):
    """The text of a case definition cannot be used as it stands."""


@dataclass(frozen=True)
class Rule:
    """Signals that must be given (`need`) and that must not (`lack`), as sums of bits."""

    text: str
    need: int
    lack: int


@dataclass(frozen=True)
class CaseDefinition:
    """Which visits are flares: a text with its version, compiled.

    Attributes
    ----------
    text
        The definition as the practice keeps it (TOML).
    version
        Its name and a short hash of everything that decides a verdict: its own content, the
        shipped word lists it reads with, and how notes are read.
    certainties, exclusions, kinds
        Name to rules, any of which suffices; exclusions in the order in which they are tried.
    causes
        Names of those exclusions that name a cause, the others being planned visits.
    signals
        Name to bit of every signal that a rule can name.
    item_signals, code_signals
        Item class and code to the sum of the bits that they give.
    """

    text: str
    version: str
    flare_free_days: int
    certainties: Mapping[str, tuple[Rule, ...]]
    exclusions: Mapping[str, tuple[Rule, ...]]
    causes: frozenset[str]
    kinds: Mapping[str, tuple[Rule, ...]]
    signals: Mapping[str, int]
    item_signals: Mapping[str, int]
    code_signals: Mapping[str, int]
    lexicon: Lexicon = field(repr=False)
    shortened: Mapping[str, Collection[str]] = field(repr=False)
    reach: Reach
    remembered: dict[tuple[str, ...], SentenceReading] = field(
        default_factory=dict, repr=False, compare=False
    )

    @classmethod
    def shipped(cls) -> CaseDefinition:
        """Return the definition that comes with the house."""
        return cls.from_text(shipped_text())

    @classmethod
    def from_text(cls, text: str) -> CaseDefinition:
        """Read a definition.

        Raises
        ------
        CaseDefinitionError
            If it holds a key, a signal, an item class or a language that is none of ours, or lacks
            a key; the sentence names the nearest right one. A value without its unit, source or
            status is refused by `models.parameters`.
        """
        return _compiled(text, _READING)


@lru_cache(maxsize=4)
def _compiled(text: str, reading: int) -> CaseDefinition:
    # word lists take tens of milliseconds to compile, and each import, count and page asks for them
    table = parse_table(text, "the case definition")
    _check_keys(table)
    lists = _word_lists(table)
    signals = _signals(table)
    reader = _RuleReader(table, signals)
    exclusions = {
        key.partition(".")[2]: reader.rules(f"exclusion.{key}") for key in table.group("exclusion")
    }
    causes = {k.partition(".")[2] for k in table.group("exclusion") if k.startswith(CAUSE)}
    return CaseDefinition(
        text=text,
        version=_version(table),
        flare_free_days=_whole(table, "about.flare_free_days"),
        certainties={name: reader.rules(f"certainty.{name}") for name in CERTAINTIES},
        exclusions=exclusions,
        causes=frozenset(causes),
        kinds={name: reader.rules(f"kind.{name}") for name in table.group("kind")},
        signals=signals,
        item_signals=reader.given_by("items", item_classes()),
        code_signals=reader.given_by("codes", None),
        lexicon=Lexicon(
            lists=lists,
            fuzzy=frozenset(_FUZZY),
            fuzzy_letters=_whole(table, "reach.misspelt_from"),
            longest_gap=_whole(table, "reach.gap"),
        ),
        shortened=abbreviations(lists["cues.abbreviations"]),
        reach=Reach(
            turned_round=_whole(table, "reach.turned_round"),
            tied=_whole(table, "reach.tied"),
            score=_whole(table, "reach.score"),
            list_item=_whole(table, "reach.list_item"),
            itch_from=table.number("reach.itch_from"),
        ),
    )


def shipped_text() -> str:
    """Return the text that a practice starts from when it writes its own definition."""
    return files(_PACKAGE).joinpath(_SHIPPED).read_text(encoding="utf-8")


def _check_keys(table: ParameterTable) -> None:
    shipped = load_table(_PACKAGE, _SHIPPED)
    for key in table.parameters:
        group = key.partition(".")[0]
        fine = key in shipped.parameters or (group in _FREE and key.count(".") >= 1)
        if not fine:
            known = [*shipped.parameters, *(f"{free}.…" for free in _FREE)]
            near = did_you_mean(key, known)
            raise CaseDefinitionError(
                f"the case definition has the key {key!r}, which means nothing here{near}"
            )
        if group == "exclusion" and key.split(".")[1] not in (CAUSE, PLANNED):
            raise CaseDefinitionError(
                f"the case definition has the exclusion {key!r}; exclusions stand under "
                f"[exclusion.{CAUSE}] or [exclusion.{PLANNED}]"
            )
    needed = [k for k in shipped.parameters if k.partition(".")[0] in _FIXED]
    missing = [key for key in needed if key not in table.parameters]
    if missing:
        raise CaseDefinitionError(
            f"the case definition lacks {', '.join(missing)}; copy it from the shipped one"
        )


def _words(language: str) -> ParameterTable:
    file = files(_WORDS).joinpath(f"{language}.toml")
    if not file.is_file():
        there = sorted(
            p.name.removesuffix(".toml") for p in files(_WORDS).iterdir() if p.name.endswith("toml")
        )
        raise CaseDefinitionError(
            f"about.languages of the case definition names {language!r}; word lists are there for "
            f"{', '.join(there)}; words of another language go under [more_words]"
        )
    return load_table(_WORDS, f"{language}.toml")


def _word_lists(table: ParameterTable) -> dict[str, list[str]]:
    """Return concept to entries of all languages, with the practice's own words."""
    lists: dict[str, dict[str, None]] = {}
    for language in _texts(table, "about.languages"):
        for concept, parameter in _words(language).parameters.items():
            lists.setdefault(concept, {}).update(dict.fromkeys(_as_list(parameter.value)))
    for group in ("more_words", "fewer_words"):
        for concept in table.group(group):
            if concept not in lists:
                raise CaseDefinitionError(
                    f"[{group}] of the case definition names {concept!r}, which is no word list"
                    f"{did_you_mean(concept, lists)}"
                )
            for entry in _texts(table, f"{group}.{concept}"):
                if group == "more_words":
                    lists[concept][entry] = None
                elif lists[concept].pop(entry, entry) is not None:
                    raise CaseDefinitionError(
                        f"fewer_words.{concept} of the case definition takes {entry!r} out, which "
                        f"is not in that list{did_you_mean(entry, lists[concept])}"
                    )
    return {concept: list(entries) for concept, entries in lists.items()}


def _signals(table: ParameterTable) -> dict[str, int]:
    names = [*WORD_SIGNALS, *(name for name in table.group("items") if name not in WORD_SIGNALS)]
    if len(names) > _MOST_SIGNALS:
        raise CaseDefinitionError(
            f"the case definition has {len(names)} signals, and {_MOST_SIGNALS} is the most; take "
            "some out of [items]"
        )
    return {name: 1 << at for at, name in enumerate(names)}


class _RuleReader:
    """Reads rules and what gives signals, refusing names that are none."""

    def __init__(self, table: ParameterTable, signals: Mapping[str, int]) -> None:
        self._table = table
        self._signals = signals

    def rules(self, key: str) -> tuple[Rule, ...]:
        return tuple(self._rule(text, key) for text in _texts(self._table, key))

    def _rule(self, text: str, key: str) -> Rule:
        need = lack = 0
        for part in text.split("+"):
            name = part.strip()
            if name in self._signals:
                need |= self._signals[name]
            elif name.removeprefix("not ") in self._signals:
                lack |= self._signals[name.removeprefix("not ")]
            else:
                raise CaseDefinitionError(
                    f"{key} of the case definition has the rule {text!r}, and {name!r} is no signal"
                    f"{did_you_mean(name, self._signals)}"
                )
        return Rule(text, need, lack)

    def given_by(self, group: str, allowed: Collection[str] | None) -> dict[str, int]:
        """Return what gives signals, to the sum of their bits."""
        given: dict[str, int] = {}
        for signal in self._table.group(group):
            if signal not in self._signals:
                raise CaseDefinitionError(
                    f"[{group}] of the case definition names {signal!r}, which is no signal"
                    f"{did_you_mean(signal, self._signals)}"
                )
            for what in _texts(self._table, f"{group}.{signal}"):
                if allowed is not None and what not in allowed:
                    raise CaseDefinitionError(
                        f"{group}.{signal} of the case definition names {what!r}, which is no item "
                        f"class{did_you_mean(what, allowed)}"
                    )
                given[what] = given.get(what, 0) | self._signals[signal]
        return given


def _texts(table: ParameterTable, key: str) -> list[str]:
    value = table[key].value
    if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
        raise CaseDefinitionError(
            f"{key} of the case definition must be a list of words in quotes, such as "
            f'["itch", "skin"]; it is {value!r}'
        )
    return value


def _as_list(value: Any) -> Sequence[str]:
    return [str(one) for one in value]


def _whole(table: ParameterTable, key: str) -> int:
    value = table[key].value
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise CaseDefinitionError(
            f"{key} of the case definition must be a whole number from 0; it is {value!r}"
        )
    return value


def _version(table: ParameterTable) -> str:
    name = table["about.name"].value
    if not isinstance(name, str) or not name.strip():
        raise CaseDefinitionError("about.name of the case definition must be a name in quotes")
    content = repr([(key, table[key].value) for key in sorted(table.parameters)])
    words = [_words(language).sha256 for language in _texts(table, "about.languages")]
    told = "\n".join([str(_READING), content, *words])
    return f"{name.strip()} {hashlib.sha256(told.encode()).hexdigest()[:_HASH_SHOWN]}"
