"""The marks that an animal outside the registry may carry, and their average likelihood.

Three kinds of strangers are mixed: animals of the same herds, whose marks are learned from the
registry's own with the registered marks themselves taken out; animals of other herds that mark the
same way, with a letter or a figure at each place as often as here (both in :mod:`.herd_marks`); and
any mark that the rules allow (:mod:`.rule_marks`). Each average is exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Reading
from legibility.identify.channel import ChannelOdds
from legibility.identify.emissions import Prices
from legibility.identify.herd_marks import HerdMarks, herd_marks
from legibility.identify.layouts import LayoutPrior, even_layouts
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import MarkTable
from legibility.identify.rule_marks import RuleMarks, has_checks, marks_in_forms, rule_marks
from legibility.identify.views import views_of, weighed_rows
from legibility.marks.rules import Rules
from legibility.settings import Settings

OWN_SHARE: Final = 0.9
"""Choice: share of unregistered animals whose mark is built like the registry's own; the others
carry any mark that the rules allow."""
NEAR_SHARE: Final = 0.1
"""Choice: of these, share whose mark is one step from a registered one, whatever its herd: animals
are bought beside their near-twins, and lists have slips."""
ONE_STEP: Final = ChannelOdds(swap=1.0, wrong_die=1.0, turned_die=0.0)
"""Choice: each exchange of two neighbours is as likely as another character at one place."""
NEAREST: Final = 512
"""Choice: registered marks, the likeliest by a reading, from which steps are looked at."""
LEAST_LEFT: Final = 1e-3
"""Choice: of the marks of the registry's herds, the least that is taken to be not registered."""


@dataclass(frozen=True, slots=True)
class UnregisteredMarks:
    """A distribution over marks."""

    others: RuleMarks
    herd: HerdMarks | None = None
    """Marks like the registry's, with the registered ones."""
    herd_share: float = 0.0
    """Share of them; the rest are ``others``."""
    herd_layouts: LayoutPrior | None = None
    """How they stand in the ear."""


def unregistered_marks(
    table: MarkTable | None = None,
    *,
    rules: Rules | None = None,
    layouts: LayoutPrior | None = None,
    own_share: float = OWN_SHARE,
) -> UnregisteredMarks:
    """Distribution of the marks of animals that are not in a registry.

    Parameters
    ----------
    table : MarkTable, optional
        A share ``own_share`` of the marks is like these, see :mod:`.herd_marks`; with rules that
        have check characters as :func:`legibility.identify.rule_marks.marks_in_forms` says.
    rules : Rules, optional
        The others are all marks these rules allow.
    layouts : LayoutPrior, optional
        How marks of the first share stand in the ear; by default any way the rules allow.
    """
    rules = rules or Rules()
    if table is None or not len(table):
        return UnregisteredMarks(rule_marks(rules))
    if has_checks(rules):
        return UnregisteredMarks(marks_in_forms(table, rules, own_share=own_share))
    stand = layouts or even_layouts(rules if rules.forms else None)
    return UnregisteredMarks(rule_marks(rules), herd_marks(table, stand), own_share, stand)


def unregistered_log_likelihood(
    reading: Reading,
    marks: UnregisteredMarks,
    *,
    registered: Registered | None = None,
    prices: Prices | None = None,
) -> float:
    """Log of the likelihood of a reading averaged over unregistered marks.

    The application channel is left out: it maps this broad distribution nearly onto itself.

    Parameters
    ----------
    reading : Reading
    marks : UnregisteredMarks
    registered : Registered, optional
        What the registered marks say, to take them out of the herds' marks; None: they stay in.
    prices : Prices, optional

    Returns
    -------
    float
        On the scale of :func:`legibility.identify.likelihood.registry_log_likelihood`.
    """
    prices = prices or Prices()
    seen = weighed_rows(reading)
    others = marks.others.average(seen, prices=prices)
    if marks.herd is None or not seen:
        return others
    own = [
        marks.herd.average(view)
        for weight, rows in seen
        for view in views_of(rows, log_weight=weight, layouts=marks.herd_layouts, prices=prices)
    ]
    average = float(np.logaddexp.reduce(own))
    if registered is not None:
        average = _mixed(_without(average, registered), registered.near, NEAR_SHARE)
    return _mixed(others, average, marks.herd_share)


def _mixed(first: float, second: float, share: float) -> float:
    """Log of a mixture that holds a share of the second."""
    return float(np.logaddexp(np.log1p(-share) + first, np.log(share) + second))


@dataclass(frozen=True, slots=True)
class Registered:
    """What registered marks have of the herds' marks."""

    share: float
    """Of all marks of the herds."""
    log_likelihood: float
    """Log of the sum of share times likelihood of a reading."""
    near: float
    """Log-likelihood averaged over marks one step from a registered one."""


def registered_part(
    reading: Reading,
    log_likelihood: NDArray[np.float64],
    marks: UnregisteredMarks,
    table: MarkTable,
    *,
    settings: Settings,
    animals: NDArray[np.int64] | None = None,
    log_rest: float = -np.inf,
    left_out: Sequence[int] = (),
) -> Registered | None:
    """What the registered marks say.

    Parameters
    ----------
    reading : Reading
    log_likelihood : ndarray of float64, (k,)
        Of the animals.
    marks : UnregisteredMarks
    table : MarkTable
        That ``marks`` are learned from.
    settings : Settings
    animals : ndarray of int64, (k,), optional
        The likeliest animals of the table; all of them by default.
    log_rest : float
        Log of the sum of share times likelihood of those that are not among them.
    left_out : sequence of int
        Animals that are taken not to be registered.
    """
    if marks.herd is None:
        return None
    shares, values = marks.herd.animal_share, log_likelihood
    chosen = np.arange(len(table)) if animals is None else animals
    if len(left_out):
        shares, values = shares.copy(), values.copy()
        shares[list(left_out)], values[np.isin(chosen, left_out)] = 0.0, -np.inf
    with np.errstate(divide="ignore"):
        said = np.append(np.log(shares[chosen]) + values, log_rest)
    nearest = np.argsort(-values, kind="stable")[:NEAREST]
    nearest = np.sort(chosen[nearest[np.isfinite(values[nearest])]])
    return Registered(
        share=float(shares.sum()),
        log_likelihood=float(np.logaddexp.reduce(said)),
        near=_near_average(reading, table, nearest, marks, settings=settings),
    )


def _near_average(
    reading: Reading,
    table: MarkTable,
    animals: NDArray[np.integer],
    marks: UnregisteredMarks,
    *,
    settings: Settings,
) -> float:
    """Log-likelihood averaged over all marks one step from a registered one: one character another
    one, or two neighbours exchanged.

    Parameters
    ----------
    animals : ndarray of int, (k,)
        The likeliest ones; what the reading says of steps from the others is left out.
    """
    values = registry_log_likelihood(
        reading,
        table,
        settings=settings,
        animals=animals,
        layouts=marks.herd_layouts,
        one_event=ONE_STEP,
    )
    return float(np.logaddexp.reduce(values)) - float(np.log(len(table)))


def _without(average: float, registered: Registered | None) -> float:
    """Average over the herds' marks that are not registered."""
    if registered is None:
        return average
    left = max(LEAST_LEFT, 1.0 - registered.share)
    # What is left of the whole is not known more closely than rounding allows.
    taken = min(1.0 - LEAST_LEFT * 1e-6, float(np.exp(registered.log_likelihood - average)))
    return average + float(np.log1p(-taken)) - float(np.log(left))
