"""Figures of the water accounts: what a planting may use, and how well it was watered.

All functions are elementwise and broadcast: float in, float out; arrays in, arrays out. NaN stays NaN.
"""

from __future__ import annotations

import numpy as np

# 1 mm on 1 m2 is 1 L. The California worksheet takes 0.62 gal for 1 in on 1 ft2 (0.6234 exactly).
LITRES_PER_MM_M2 = 1.0
WORKSHEET_GAL_PER_IN_FT2 = 0.62


def et_adjustment_factor(plant_factor, efficiency):
    """Share of reference ET that must be applied: plant factor over irrigation efficiency. [-]

    Source: California Model Water Efficient Landscape Ordinance, worksheet.
    """
    return plant_factor / efficiency


def estimated_water_use(eto_depth, et_factor, area, volume_per_depth_area=LITRES_PER_MM_M2):
    """Estimated total water use of a planting: ETo x factor x area.

    Parameters
    ----------
    eto_depth, area : float or array
        Reference ET of the period [mm] and area [m2].
    et_factor : float or array
        ``et_adjustment_factor``. [-]
    volume_per_depth_area : float
        Volume for one unit of depth on one unit of area; other units than mm, m2 and litres need another.

    Returns
    -------
    float or array, broadcast. [L]

    References
    ----------
    23 CCR 490 ff. (California Model Water Efficient Landscape Ordinance), worksheet: ETWU = ETo 0.62 ETAF area.
    """
    return eto_depth * et_factor * area * volume_per_depth_area


def maximum_applied_water_allowance(
    eto_depth, et_factor, area, special_area=0.0, volume_per_depth_area=LITRES_PER_MM_M2
):
    """Most water a planting is allowed: ETo (factor x area + (1 - factor) x special area).

    Parameters
    ----------
    eto_depth, area, volume_per_depth_area
        As in ``estimated_water_use``; ``area`` includes the special area.
    et_factor : float or array
        The ordinance's limit. [-]
    special_area : float or array
        Part of ``area`` that may use all of ETo. [m2]

    References
    ----------
    23 CCR 490 ff., worksheet: MAWA = ETo 0.62 (ETAF LA + (1 - ETAF) SLA).
    """
    return eto_depth * volume_per_depth_area * (et_factor * area + (1.0 - et_factor) * special_area)


def irrigation_adequacy(etc_mm, deficit_mm):
    """Share of the plants' need that was met: (ETc - deficit)/ETc; NaN where nothing was needed. [-]

    Source: test protocol for climatologically based controllers, 8th draft, 2008 (from memory).
    """
    return (etc_mm - deficit_mm) / np.where(etc_mm > 0.0, etc_mm, np.nan)[()]


def scheduling_efficiency(net_irrigation_mm, losses_mm):
    """Share of the net irrigation that was not surplus or runoff; NaN where nothing was watered. [-]

    Source: test protocol for climatologically based controllers, 8th draft, 2008 (from memory).
    """
    return (net_irrigation_mm - losses_mm) / np.where(net_irrigation_mm > 0.0, net_irrigation_mm, np.nan)[()]
