"""Pressure, pipe and orifice laws, and the minutes of a watering window.

All functions are elementwise and broadcast: float in, float out; arrays in, arrays out. NaN stays NaN. Water is taken
at 15 degC, 1000 kg/m3.
"""

from __future__ import annotations

import numpy as np

GRAVITY_M_S2 = 9.80665
WATER_KG_M3 = 1000.0
L_MIN_PER_M3_S = 60_000.0

# Velocity limit in mains, above all ahead of quick-closing valves: 5 ft/s [m/s]. Jarrett, Water Management, 2nd ed.
# 2000, pp. 336-337, and Boman, Water and Florida Citrus, ch. 21, UF/IFAS.
VELOCITY_LIMIT_M_S = 1.524
# Friction limit in mains, 1.0 psi/100 ft [kPa/m]. Jarrett, as above.
FRICTION_LIMIT_KPA_M = 0.2262
# Flow may vary this much within a lateral, which is 20 % of pressure [-]. Jarrett, as above.
LATERAL_FLOW_VARIATION = 0.10
# Share of static pressure a meter should not exceed [-]. Lawn & Landscape, The water source.
METER_LOSS_SHARE = 0.10
# Discharge coefficient of a sharp-edged hole [-], common practice, no source.
SHARP_EDGED = 0.6
# Hazen-Williams roughness of plastic pipe [-], common practice, no source.
PLASTIC_C = 150.0


def pressure_head_m(pressure_kpa):
    """Height of water that a pressure carries: 1 psi is 2.31 ft. [m] Source: Boman, UF/IFAS, ch. 21, eq. 21-1."""
    return pressure_kpa * 1000.0 / (WATER_KG_M3 * GRAVITY_M_S2)


def pressure_of_head_kpa(head_m):
    """Pressure under a height of water. [kPa] Source: as ``pressure_head_m``."""
    return head_m * WATER_KG_M3 * GRAVITY_M_S2 / 1000.0


def pipe_area_m2(diameter_mm):
    """Cross-section of a round pipe or hole. [m2]"""
    return np.pi / 4.0 * (diameter_mm / 1000.0) * (diameter_mm / 1000.0)


def velocity_m_s(flow_l_min, diameter_mm):
    """Mean velocity in a pipe.

    ``flow_l_min`` [L/min]; ``diameter_mm`` inside diameter, > 0 [mm]. Compare with ``VELOCITY_LIMIT_M_S``. [m/s]
    """
    return flow_l_min / L_MIN_PER_M3_S / pipe_area_m2(diameter_mm)


def largest_flow_l_min(diameter_mm, limit_m_s=VELOCITY_LIMIT_M_S):
    """Flow at which a pipe reaches a velocity limit. [L/min]"""
    return limit_m_s * pipe_area_m2(diameter_mm) * L_MIN_PER_M3_S


def friction_loss_kpa(flow_l_min, diameter_mm, length_m, roughness=PLASTIC_C):
    """Pressure lost to friction in a full pipe by Hazen and Williams.

    Parameters
    ----------
    flow_l_min : float or array
        Flow, >= 0. [L/min]
    diameter_mm, length_m : float or array
        Inside diameter, > 0 [mm], and length [m].
    roughness : float or array
        Hazen-Williams C. [-]

    Returns
    -------
    float or array, broadcast: h = 10.67 L Q^1.852/(C^1.852 d^4.8704) in metres of water, as pressure. [kPa]

    References
    ----------
    Williams & Hazen, Hydraulic Tables, 1905; SI form as in the EPANET 2.2 user manual (constants from memory).
    """
    flow_m3_s, diameter_m = flow_l_min / L_MIN_PER_M3_S, diameter_mm / 1000.0
    head_m = 10.67 * length_m * np.power(flow_m3_s / roughness, 1.852) / np.power(diameter_m, 4.8704)
    return pressure_of_head_kpa(head_m)


def outlets_factor(outlets):
    """Share of a full pipe's friction that is left where the flow leaves it through equal, even outlets. [-]

    ``outlets`` >= 1, the last at the pipe's end, the first a whole spacing from its beginning.

    References
    ----------
    Christiansen, Irrigation by Sprinkling, Univ. Calif. Bull. 670, 1942: F = 1/(m+1) + 1/(2N) + sqrt(m-1)/(6 N2) with
    m = 1.852 of Hazen and Williams (from memory; one outlet gives 1.005 instead of 1).
    """
    m = 1.852
    return 1.0 / (m + 1.0) + 1.0 / (2.0 * outlets) + np.sqrt(m - 1.0) / (6.0 * outlets * outlets)


def orifice_flow_l_min(pressure_kpa, diameter_mm, discharge=SHARP_EDGED):
    """Flow through a hole into the air: Cd A sqrt(2 p/rho); also the flow of a leak from a clean hole.

    Parameters
    ----------
    pressure_kpa : float or array
        Pressure in the pipe above that outside, below 0 counts as 0. [kPa]
    diameter_mm : float or array
        Diameter of the hole. [mm]
    discharge : float or array
        Discharge coefficient: about 0.6 for a sharp edge, near 1 for a rounded nozzle. [-]

    Returns
    -------
    float or array, broadcast. [L/min]

    References
    ----------
    q(gpm) = 29.84 Cd d(in)^2 sqrt(psi) in US units (from memory). Cracks in plastic open with pressure: van Zyl &
    Clayton, 2007, find exponents above 0.5, for which this law is not meant.
    """
    speed_m_s = np.sqrt(2.0 * np.maximum(pressure_kpa, 0.0) * 1000.0 / WATER_KG_M3)
    return discharge * pipe_area_m2(diameter_mm) * speed_m_s * L_MIN_PER_M3_S


def discharge_coefficient(flow_l_min, pressure_kpa, diameter_mm):
    """Discharge coefficient that explains a flow through a hole. ``pressure_kpa`` > 0. [-]"""
    return flow_l_min / orifice_flow_l_min(pressure_kpa, diameter_mm, 1.0)


def emitter_flow_l_min(rated_flow_l_min, pressure_kpa, rated_pressure_kpa, exponent=0.5):
    """Flow of a head or emitter at a pressure other than its rated one: q (p/p_rated)^x.

    Parameters
    ----------
    rated_flow_l_min, rated_pressure_kpa : float or array
        Flow [L/min] at the rated pressure, > 0 [kPa].
    pressure_kpa : float or array
        Pressure at the head, below 0 counts as 0. [kPa]
    exponent : float or array
        0.5 for plain nozzles; near 0 for pressure-regulated heads and compensating drip (from memory). [-]

    References
    ----------
    Emitter law as in the EPANET 2.2 user manual; an extension table prints 5.97 gpm at 35 psi and 7.51 at 55 psi for a
    3/16 in nozzle, a ratio of 1.258 against 1.254 from x = 0.5.
    """
    return rated_flow_l_min * np.power(np.maximum(pressure_kpa, 0.0) / rated_pressure_kpa, exponent)


def fill_flow_l_min(litres, seconds):
    """Flow from the time a vessel takes to fill: 60 V/t. ``seconds`` > 0. [L/min]"""
    return 60.0 * litres / seconds


def window_minutes(start_min, end_min):
    """Length of a daily window from its clock times.

    Parameters
    ----------
    start_min, end_min : float or array
        Minutes after midnight; an end at or before the start lies on the next day, equal ones are the whole day. [min]

    Returns
    -------
    float or array, broadcast, above 0 up to 1440. [min]
    """
    return 1440.0 - np.mod(start_min - end_min, 1440.0)
