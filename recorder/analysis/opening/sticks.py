"""A seat that has stuck opens higher the first time than ever after: what the stroke that met it first shows alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from recorder.analysis.opening.closed import Response
from recorder.analysis.opening.onset import Opening, by_fit, doubted
from recorder.analysis.opening.valve import ENOUGH, FITS_WELL, NOT_ALIKE, ValveFit, fit_valve
from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.signal import Prepared

__all__ = ["met_alone", "met_first"]

# where no source is named beside a number: common practice, no source
HELD_U, HELD_KPA = 3.0, 0.3  # standard uncertainties, and kPa more than the opening: what holds that is shut
APART_U = 0.75  # standard uncertainties: nearer to each other, two fits are as good as one


def met_first(
    x: Prepared, strokes: Sequence[Stroke], fell: dict[int, float], found: Opening, fit: ValveFit, odd: int | None,
    response: Response, usual: float, end_s: float, correlated: float, *, alone: bool,
) -> Opening:
    """What was ``found`` by ``fit`` of several strokes, or what the one that met the valve first says. odd: a stroke
    that was left out; alone: the fit is of one stroke only."""
    held = _held_more(strokes, fell, found, fit)
    if held is not None:
        return _sticking(x, strokes, held, found, response, usual, end_s, correlated, believed=True)
    if odd is not None and (odd < found.stroke or odd == min(fell, default=-1)):
        # what disturbed it may have been that it opened the valve first
        return _sticking(x, strokes, odd, found, response, usual, end_s, correlated, believed=False)
    if fit.misfit > NOT_ALIKE and not alone:
        return _sticking(x, strokes, found.stroke, found, response, usual, end_s, correlated, believed=True)
    return found


def met_alone(
    x: Prepared, strokes: Sequence[Stroke], found: Opening, response: Response, usual: float, end_s: float,
    correlated: float,
) -> Opening:
    """What was ``found`` by laws of which none fits all strokes, or what the one that met the valve first says where a
    law fits it well. Else half of how far it puts the onset higher is in u."""
    fit = fit_valve(x, strokes, [found.stroke], response, end_s, correlated)
    if fit is None or fit.gain < ENOUGH or fit.open_u > 0.5 * usual:
        return found
    alone = by_fit(x, strokes, [found.stroke], response, fit, usual)
    if fit.misfit < FITS_WELL and alone.onset_kpa > found.onset_kpa:
        return replace(found, onset_kpa=alone.onset_kpa, onset_u=alone.onset_u, onset_s=alone.onset_s)
    return doubted(found, max(alone.onset_kpa - found.onset_kpa, 0.0))


def _held_more(strokes: Sequence[Stroke], fell: dict[int, float], found: Opening, fit: ValveFit) -> int | None:
    """The last stroke, up to the first that ``fell`` back, before which the cap held clearly more than it is said to
    have opened at: it was shut until then. None where there is none after the one that is said to have opened it."""
    last = min(fell, default=-1)
    clear = fit.open_kpa + HELD_U * fit.open_u + HELD_KPA
    return next((j for j in range(last, found.stroke, -1) if strokes[j].base_kpa > clear), None)


def _sticking(
    x: Prepared, strokes: Sequence[Stroke], k: int, found: Opening, response: Response, usual: float, end_s: float,
    correlated: float, *, believed: bool,
) -> Opening:
    """Where no law explains all strokes alike: what stroke ``k``, which opened the valve first, shows alone. A seat
    that has stuck opens higher than the ones after it, and what lets out is not shut as tight when the next stroke
    comes. Where that stroke, one of those that were ``found`` to tell the onset, puts it lower, half of how far is in
    u. believed: however well a valve explains it; else it may have been disturbed."""
    fit = fit_valve(x, strokes, [k], response, end_s, correlated)
    if fit is None or fit.gain < ENOUGH or fit.open_u > 0.5 * usual or not (believed or fit.misfit < FITS_WELL):
        return found
    alone = by_fit(x, strokes, [k], response, fit, usual)
    if alone.onset_kpa <= found.onset_kpa:
        return doubted(found, found.onset_kpa - alone.onset_kpa) if k == found.stroke else found
    apart = alone.onset_kpa - found.onset_kpa
    if k == found.stroke and apart < APART_U * alone.onset_u:  # the mean of both
        return replace(found, onset_kpa=found.onset_kpa + apart / 2.0, onset_u=max(found.onset_u, alone.onset_u))
    return replace(found, onset_kpa=alone.onset_kpa, onset_u=alone.onset_u, onset_s=alone.onset_s, stroke=k)
