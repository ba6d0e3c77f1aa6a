"""The school grade at which a text reads, by a published measure for each language.

A letter in a language without a measure fails its test: whoever adds one gives it a measure here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

_WORDS = re.compile(r"[^\W\d_]+|\d+")
HIGHEST_GRADE = 7.0  # of what owners are sent
_LONG = 6  # letters that a word of the Vienna formula has at most, not to be long
_MANY = 3  # syllables from which on a word of it is hard


def words_of(sentence: str) -> list[str]:
    return _WORDS.findall(sentence)


def sentences_of(prose: Sequence[str]) -> list[str]:
    """Part prose at full stops and colons; a heading and an item of a list are a sentence each.

    A full stop behind a number ends no sentence: it makes an ordinal of it in German.
    """
    parts = [part for text in prose for part in re.split(r"(?<!\d)[.:!?](?:\s|$)", text)]
    return [part for part in parts if re.search(r"[^\W\d_]", part)]


def english_syllables(word: str) -> int:
    """Count the groups of vowels but for a silent e; each digit is one."""
    if word.isdigit():
        return len(word)
    text = word.lower().replace("qu", "kw")
    text = re.sub(r"(?<=[^aeiouydt])ed$", "d", text)  # closed, used: one; wanted: two
    text = re.sub(
        r"(?<=[^aeiouy])es$",
        lambda m: "es" if text[-3] in "cgsxz" or text[-4:-2] in ("ch", "sh") else "s",
        text,
    )
    text = re.sub(r"(?<=[^aeiouyl])e$", "", text)
    return max(1, len(re.findall(r"[aeiouy]+", text)))


def german_syllables(word: str) -> int:
    """Count vowels, two that are said as one as one; each digit is one."""
    if word.isdigit():
        return len(word)
    text = word.lower().replace("qu", "kw")
    return max(1, len(re.findall(r"aa|ai|au|äu|ee|ei|eu|ie|oo|[aeiouyäöü]", text)))


def flesch_kincaid(sentences: Sequence[str]) -> float:
    """Return the Flesch-Kincaid grade level of English.

    0.39 words per sentence + 11.8 syllables per word - 15.59; Kincaid, Fishburne, Rogers and
    Chissom 1975, Derivation of new readability formulas for Navy enlisted personnel, Research
    Branch Report 8-75.
    """
    words = [word for one in sentences for word in words_of(one)]
    n_syllables = sum(map(english_syllables, words))
    return 0.39 * len(words) / len(sentences) + 11.8 * n_syllables / len(words) - 15.59


def vienna(sentences: Sequence[str]) -> float:
    """Return the school grade of German by the first Vienna formula (Wiener Sachtextformel).

    0.1935 MS + 0.1672 SL + 0.1297 IW - 0.0327 ES - 0.875, with the shares in per cent of words of
    three or more syllables (MS), of more than six letters (IW) and of one syllable (ES), and words
    per sentence (SL); Bamberger and Vanecek 1984, Lesen - Verstehen - Lernen - Schreiben. Its
    coefficients as commonly implemented: the book was not at hand.
    """
    words = [word for one in sentences for word in words_of(one)]
    n_syllables = [german_syllables(word) for word in words]
    share = 100.0 / len(words)
    hard = share * sum(n >= _MANY for n in n_syllables)
    long = share * sum(len(word) > _LONG for word in words)
    short = share * sum(n == 1 for n in n_syllables)
    per_sentence = len(words) / len(sentences)
    return 0.1935 * hard + 0.1672 * per_sentence + 0.1297 * long - 0.0327 * short - 0.875


GRADES: dict[str, Callable[[Sequence[str]], float]] = {"en": flesch_kincaid, "de": vienna}
