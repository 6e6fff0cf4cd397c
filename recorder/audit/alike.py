"""Texts of jobs that may name one and the same: a slip of the fingers, and whatever blanks and strokes are between.

Numbers are what tells jobs apart, so texts whose digits differ never look alike, and neither do those that differ in a
word of one letter (bus A, bus B). Common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from recorder.moments import job_key

__all__ = ["look_alikes", "looks_like"]

_SHORTEST = 4  # letters of a word that may be one with another letter in it, or one less: van is no can


def _words(job: str) -> tuple[str, ...]:
    """Letters and digits of the words; what else is in them says nothing."""
    kept = ("".join(c for c in word if c.isalnum()) for word in job_key(job).split())
    return tuple(word for word in kept if word)


def _slip(one: str, other: str) -> bool:
    """Whether a word is the other but for two neighbours that changed places, a letter too many or another one."""
    if len(one) < len(other):
        one, other = other, one
    if len(one) - len(other) > 1 or [c for c in one if c.isdigit()] != [c for c in other if c.isdigit()]:
        return False
    at = next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), len(other))
    if len(one) > len(other):
        return len(one) >= _SHORTEST and one[at + 1:] == other[at:]
    swapped = one[at + 1:at + 2] + one[at:at + 1] == other[at:at + 2] and one[at + 2:] == other[at + 2:]
    return swapped or (len(one) >= _SHORTEST and one[at + 1:] == other[at + 1:])


def looks_like(one: str, other: str) -> bool:
    """Whether two texts name two jobs (False of the same job), and may have been meant for one."""
    if job_key(one) == job_key(other):
        return False
    own, its = _words(one), _words(other)
    if "".join(own) == "".join(its):
        return bool(own)
    if len(own) != len(its):
        return False
    differing = [(a, b) for a, b in zip(own, its, strict=True) if a != b]
    return len(differing) == 1 and _slip(*differing[0])


def _signs(job: str) -> Iterator[tuple[str, ...]]:
    """Two texts that look alike share one of these at least: a slip leaves the same word but for one letter each."""
    words = _words(job)
    yield ("".join(words),)
    for i, word in enumerate(words):
        less = (word[:k] + word[k + 1:] for k, letter in enumerate(word) if not letter.isdigit())
        yield from ((str(i), *words[:i], own, *words[i + 1:]) for own in (word, *less))


def look_alikes(jobs: Iterable[str]) -> list[tuple[str, str]]:
    """Pairs of jobs that look alike, in the order given, the earlier one first. Takes time as the texts are long, and
    not as the square of their number."""
    at: defaultdict[tuple[str, ...], list[int]] = defaultdict(list)
    names = list(jobs)
    for number, job in enumerate(names):
        for sign in set(_signs(job)):
            at[sign].append(number)
    pairs = {(i, k) for same in at.values() for n, i in enumerate(same) for k in same[n + 1:]}
    return [(names[i], names[k]) for i, k in sorted(pairs) if looks_like(names[i], names[k])]
