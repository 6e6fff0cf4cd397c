"""A seat that has stuck opens higher the first time than ever after: what the stroke that met it first shows alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeAlias

from recorder.analysis.opening.onset import Opening, doubted
from recorder.analysis.opening.valve import FITS_WELL, NOT_ALIKE, ValveFit
from recorder.analysis.strokes import Stroke

__all__ = ["Alone", "met_alone", "met_first"]

# where no source is named beside a number: common practice, no source
HELD_U, HELD_KPA = 3.0, 0.3  # standard uncertainties, and kPa more than the opening: what holds that is shut
APART_U = 0.75  # standard uncertainties: nearer to each other, two fits are as good as one

# what the stroke of a number shows alone: the fit of a valve to it, and the onset by that; None where it shows none
Alone: TypeAlias = Callable[[int], tuple[ValveFit, Opening] | None]


def met_first(
    strokes: Sequence[Stroke], fell: dict[int, float], found: Opening, fit: ValveFit, odd: int | None, alone: Alone, *,
    only_one: bool,
) -> Opening:
    """What was ``found`` by ``fit`` of several strokes, or what the one that met the valve first says. odd: a stroke
    that was left out; only_one: the fit is of one stroke only."""
    held = _held_more(strokes, fell, found, fit)
    if held is not None:
        return _sticking(held, found, alone, believed=True)
    if odd is not None and (odd < found.stroke or odd == min(fell, default=-1)):
        # what disturbed it may have been that it opened the valve first
        return _sticking(odd, found, alone, believed=False)
    if fit.misfit > NOT_ALIKE and not only_one:
        return _sticking(found.stroke, found, alone, believed=True)
    return found


def met_alone(found: Opening, alone: Alone) -> Opening:
    """What was ``found`` by laws of which none fits all strokes, or what the one that met the valve first says where a
    law fits it well. Else half of how far it puts the onset higher is in u."""
    if (shown := alone(found.stroke)) is None:
        return found
    fit, first = shown
    if fit.misfit < FITS_WELL and first.onset_kpa > found.onset_kpa:
        return replace(found, onset_kpa=first.onset_kpa, onset_u=first.onset_u, onset_s=first.onset_s)
    return doubted(found, max(first.onset_kpa - found.onset_kpa, 0.0))


def _held_more(strokes: Sequence[Stroke], fell: dict[int, float], found: Opening, fit: ValveFit) -> int | None:
    """The last stroke, up to the first that ``fell`` back, before which the cap held clearly more than it is said to
    have opened at: it was shut until then. None where there is none after the one that is said to have opened it."""
    last = min(fell, default=-1)
    clear = fit.open_kpa + HELD_U * fit.open_u + HELD_KPA
    return next((j for j in range(last, found.stroke, -1) if strokes[j].base_kpa > clear), None)


def _sticking(k: int, found: Opening, alone: Alone, *, believed: bool) -> Opening:
    """Where no law explains all strokes alike: what stroke ``k``, which opened the valve first, shows alone. A seat
    that has stuck opens higher than the ones after it, and what lets out is not shut as tight when the next stroke
    comes. Where that stroke, one of those that were ``found`` to tell the onset, puts it lower, half of how far is in
    u. believed: however well a valve explains it; else it may have been disturbed."""
    shown = alone(k)
    if shown is None or not (believed or shown[0].misfit < FITS_WELL):
        return found
    _, own = shown
    apart = own.onset_kpa - found.onset_kpa
    if apart <= 0.0:
        return doubted(found, apart) if k == found.stroke else found
    if k == found.stroke and apart < APART_U * own.onset_u:  # the mean of both
        return replace(found, onset_kpa=found.onset_kpa + apart / 2.0, onset_u=max(found.onset_u, own.onset_u))
    return replace(found, onset_kpa=own.onset_kpa, onset_u=own.onset_u, onset_s=own.onset_s, stroke=k)
