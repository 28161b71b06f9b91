"""The true soil of a simulated site: root-zone water of every zone, independent of what the daemon believes.

Each zone is one column or several patches of equal area that get uneven shares of the water. One step takes any
interval with a constant application; all zones and patches are advanced at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dewpond.model.site import Zone

FloatArray = NDArray[np.float64]

RAIN_SHARE = 0.8  # share of rain that reaches the root zone; rule of the published controller test (see contracts)
_SUMS = ("et_mm", "effective_rain_mm", "applied_mm", "runoff_mm", "lost_mm", "net_mm", "drainage_mm")
_LEAST_MM = 1e-9  # narrower than this, the stress range counts as a step


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilParameters:
    """Constants of every zone, each of shape (zones,), ``coefficient`` (12, zones), ``spread`` (zones, patches) or
    (patches,).

    ``coefficient`` is crop coefficient x exposure by month, January first. ``loss_share`` of the infiltrated
    irrigation never helps the roots. ``spread`` is each patch's share of the mean application, mean 1.
    """

    taw_mm: FloatArray
    raw_mm: FloatArray
    intake_mm_h: FloatArray
    surface_storage_mm: FloatArray
    loss_share: FloatArray
    coefficient: FloatArray
    spread: FloatArray = field(default_factory=lambda: np.ones(1))


def parameters_of(zones: Sequence[Zone]) -> SoilParameters:
    """The site file's own numbers, one even column a zone: what a world without surprises looks like."""

    def column(name: str) -> FloatArray:
        return np.array([getattr(zone, name) for zone in zones], dtype=np.float64)

    months = np.array([zone.crop_coefficient for zone in zones], dtype=np.float64).reshape(len(zones), 12)
    return SoilParameters(
        taw_mm=column("taw_mm"),
        raw_mm=column("raw_mm"),
        intake_mm_h=column("intake_mm_h"),
        surface_storage_mm=column("surface_storage_mm"),
        loss_share=1.0 - column("efficiency"),
        coefficient=(months * column("exposure")[:, None]).T,
    )


def even_spread(du_lq: float, patches: int) -> FloatArray:
    """Relative application of ``patches`` equal areas whose low-quarter uniformity is ``du_lq``; falls evenly, mean 1.

    The lowest quarter of an even slope from 1 - a to 1 + a has the mean 1 - 0.75 a. ``patches`` must be a multiple of
    4 and ``du_lq`` lie between 0.25 and 1, else ValueError.
    """
    if patches % 4 or patches < 4 or not 0.25 <= du_lq <= 1.0:
        raise ValueError(f"du_lq {du_lq}, {patches} patches: need 0.25 to 1 and a multiple of 4; use e.g. 0.62 and 8")
    middle = (np.arange(patches) + 0.5) / patches * 2.0 - 1.0
    return 1.0 + (1.0 - du_lq) / 0.75 * middle


def after_et(depletion_mm: FloatArray, unstressed_mm: FloatArray, raw_mm: FloatArray, taw_mm: FloatArray) -> FloatArray:
    """Depletion after an unstressed ET has been asked of the soil, broadcast. [mm]

    The exact solution of dD/dE = Ks(D), with Ks = 1 up to RAW and (TAW - D) / (TAW - RAW) beyond (FAO-56 eq. 84): a
    straight line to RAW, then an exponential towards TAW. Any split of an interval gives the same depletion.
    """
    width_mm = np.maximum(taw_mm - raw_mm, _LEAST_MM)
    free_mm = np.minimum(np.maximum(raw_mm - depletion_mm, 0.0), unstressed_mm)
    start_mm = depletion_mm + free_mm
    left_mm = (taw_mm - start_mm) * np.exp((free_mm - unstressed_mm) / width_mm)
    return np.where(unstressed_mm > free_mm, taw_mm - left_mm, start_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilTotals:
    """Amounts since the start, mean over the patches, shape (zones,). [mm]"""

    unstressed_et_mm: FloatArray
    et_mm: FloatArray
    rain_mm: FloatArray
    effective_rain_mm: FloatArray
    applied_mm: FloatArray
    runoff_mm: FloatArray
    lost_mm: FloatArray
    net_mm: FloatArray
    drainage_mm: FloatArray


class SoilColumns:
    """State of every column, shape (zones, patches): ``depletion_mm`` and the water standing on the ground,
    ``standing_mm``.

    Parameters
    ----------
    parameters : SoilParameters
    depletion_mm : array_like   Where it starts, (zones,). [mm]
    """

    def __init__(self, parameters: SoilParameters, depletion_mm: FloatArray) -> None:
        zones = len(parameters.taw_mm)
        self.parameters = parameters
        self._spread = np.broadcast_to(parameters.spread, (zones, parameters.spread.shape[-1]))
        self._taw = parameters.taw_mm[:, None]
        self._raw = parameters.raw_mm[:, None]
        self._intake = parameters.intake_mm_h[:, None]
        self._storage = parameters.surface_storage_mm[:, None]
        self._keep = 1.0 - parameters.loss_share[:, None]
        self.depletion_mm = np.broadcast_to(np.asarray(depletion_mm)[:, None], self._spread.shape).copy()
        self.standing_mm = np.zeros(self._spread.shape)
        self._standing = False
        self._weights = np.full(self._spread.shape[1], 1.0 / self._spread.shape[1])
        self._unstressed_mm = np.zeros(zones)
        self._rain_mm = 0.0
        self._sums = {name: np.zeros(self._spread.shape) for name in _SUMS}

    def advance(self, hours: float, month: int, eto_mm: float, rain_mm: float, applied_mm: FloatArray | None) -> None:
        """One interval: ET first, then irrigation by way of the ground's surface, then rain.

        ``eto_mm`` and ``rain_mm`` are the interval's own amounts, ``applied_mm`` (zones,) the mean depth that left
        the heads, spread evenly over the interval; None where no water ran.
        """
        if eto_mm > 0.0:
            self._take_et(eto_mm * self.parameters.coefficient[month - 1 : month])
        if applied_mm is not None or self._standing:
            self._take_irrigation(hours, np.zeros(len(self._taw)) if applied_mm is None else applied_mm)
        if rain_mm > 0.0:
            self._take_rain(rain_mm)

    @property
    def wet(self) -> bool:
        """Whether water stands on the ground somewhere."""
        return self._standing

    def dry(self, month: int, eto_mm: Sequence[float]) -> FloatArray:
        """An interval in which nothing but ET happens, on dry ground: each zone's depletion at some of its instants.

        ``eto_mm`` is the reference ET from the beginning up to each of them, the last being the end: (instants,). Mean
        depletion of each zone, (instants, zones). [mm]
        """
        if eto_mm[-1] <= 0.0:
            return np.broadcast_to(self.zone_depletion_mm, (len(eto_mm), len(self._taw)))
        drying_mm: FloatArray = self._take_et(np.outer(eto_mm, self.parameters.coefficient[month - 1])) @ self._weights
        return drying_mm

    @property
    def totals(self) -> SoilTotals:
        """Everything that has come and gone since the start."""
        means = {name: total @ self._weights for name, total in self._sums.items()}
        rain_mm = np.full(len(self._taw), self._rain_mm)
        return SoilTotals(unstressed_et_mm=self._unstressed_mm.copy(), rain_mm=rain_mm, **means)

    @property
    def zone_depletion_mm(self) -> FloatArray:
        """Mean depletion of each zone, (zones,)."""
        mean: FloatArray = self.depletion_mm @ self._weights
        return mean

    @property
    def zone_standing_mm(self) -> FloatArray:
        """Mean water standing on each zone's ground, (zones,)."""
        mean: FloatArray = self.standing_mm @ self._weights
        return mean

    def _take_et(self, unstressed_mm: FloatArray) -> FloatArray:
        """ET of one interval up to each of some instants, (instants, zones); every column's depletion then."""
        before = self.depletion_mm
        drying_mm = after_et(before, unstressed_mm[:, :, None], self._raw, self._taw)
        self.depletion_mm = drying_mm[-1]
        self._unstressed_mm += unstressed_mm[-1]
        self._sums["et_mm"] += self.depletion_mm - before
        return drying_mm

    def _take_irrigation(self, hours: float, applied_mm: FloatArray) -> None:
        """The surface store gains rate - intake while water runs, loses intake after, runs off above its storage."""
        sums = self._sums
        applied = applied_mm[:, None] * self._spread
        unbounded = self.standing_mm + applied - self._intake * hours
        standing = np.minimum(np.maximum(unbounded, 0.0), self._storage)
        runoff = np.maximum(unbounded - self._storage, 0.0)
        infiltrated = applied - runoff - (standing - self.standing_mm)
        net = infiltrated * self._keep
        self.standing_mm = standing
        self._standing = bool(standing.any())
        sums["applied_mm"] += applied
        sums["runoff_mm"] += runoff
        sums["lost_mm"] += infiltrated - net
        sums["net_mm"] += net
        left = self.depletion_mm - net
        self.depletion_mm = np.maximum(left, 0.0)
        sums["drainage_mm"] += self.depletion_mm - left

    def _take_rain(self, rain_mm: float) -> None:
        effective = np.minimum(RAIN_SHARE * rain_mm, self.depletion_mm)
        self.depletion_mm = self.depletion_mm - effective
        self._rain_mm += rain_mm
        self._sums["effective_rain_mm"] += effective
