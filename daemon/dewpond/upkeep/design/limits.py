"""The limits a design is held against, in one table, each with where it was read."""

from __future__ import annotations

from dewpond.science.hydraulics import FRICTION_LIMIT_KPA_M, METER_LOSS_SHARE
from dewpond.science.units import MM_PER_INCH
from dewpond.upkeep.design.finding import Limit

JARRETT = "Jarrett, Water Management, 2nd ed. 2000, pp. 336-337"
PRACTICE = "common practice, no source"
MEMORY = "from memory"
SAN_MARCOS = "City of San Marcos, Texas, landscape irrigation rules"
REDWOOD = "Redwood City, California, irrigation requirements"
YOLO = "Yolo County code s. 8-3.109"

# Largest over smallest application rate of the heads on one valve. [-]
MATCHED_RATES = Limit(1.2, "", f"matched rates on each valve: {YOLO} and {REDWOOD}; the factor is {PRACTICE}")
# Share of the supply's capacity that one zone should take. [-]
FLOW_SHARE = Limit(0.75, "", MEMORY)
FRICTION = Limit(FRICTION_LIMIT_KPA_M, "kPa/m", f"1.0 psi/100 ft, {JARRETT}")
METER_LOSS = Limit(METER_LOSS_SHARE, "", "Lawn & Landscape, The water source")
LATERAL_LOSS = Limit(0.20, "", f"20 % of pressure is 10 % of flow, {JARRETT}")
# Pressure at a head over its rated one. [-]
HIGH_PRESSURE = Limit(
    1.3, "", f"a regulator where pressure exceeds the design pressure: {SAN_MARCOS}; 1.3 is {PRACTICE}"
)
LOW_PRESSURE = Limit(0.8, "", f"20 % of pressure is 10 % of flow, {JARRETT}")
# Spacing over diameter of throw, in squares, wind up to 3 mph; and the most in any place. [-]
SPACING = Limit(
    0.55, "", 'Wil, S., teaching slides "Sprinkler spacing": 55 % of the diameter up to 3 mph, 50 % to 7 mph'
)
SPACING_MOST = Limit(0.60, "", 'Wil, S., teaching slides "Sprinkler spacing": 60 % of the diameter at the very most')
# Height across a zone from which the lowest heads drain the line. [m]
DRAINING_M = Limit(
    0.3, "m", f"check valves where heights differ: {SAN_MARCOS}, {REDWOOD}; about a foot is enough: trade pages"
)
STEEP = Limit(15.0, "%", REDWOOD)
STEEP_RATE = Limit(0.85 * MM_PER_INCH, "mm/h", f"{REDWOOD}: 0.85 in/h on slopes over 15 %")
VERY_STEEP = Limit(25.0, "%", f"California MWELO, {MEMORY}")
VERY_STEEP_RATE = Limit(0.75 * MM_PER_INCH, "mm/h", f"California MWELO: 0.75 in/h on slopes over 25 %, {MEMORY}")
NO_OVERHEAD_SLOPE = Limit(50.0, "%", f"{REDWOOD}: nothing from above on slopes over 2 to 1")
# Openings of one refill from which heads of a lower rate are the better remedy. [-]
MANY_OPENINGS = Limit(4, "", PRACTICE)
HYDROZONES = f"{SAN_MARCOS}: turf and shrubs, sun and shade, flat and sloping ground on separate zones"
SURFACE = (
    "surface-accumulation method, Irrigation Association 2005 and the 8th draft of the test protocol for "
    f"climatologically based controllers, {MEMORY}"
)
BACKFLOW_HAZARD = (
    "water-utility notice citing AWWA: irrigation on a public supply is a high hazard, air gap or reduced-pressure "
    "assembly; 30 TAC 344.52"
)
VACUUM_BREAKER = "City of Paris, Texas, and 30 TAC 344.52: 12 in above the highest outlet, no back pressure"
ATMOSPHERIC = (
    "City of Paris, Texas: no shut-off valve downstream, one behind each control valve, at most 12 h of pressure"
)
DOUBLE_CHECK = "30 TAC 344.52: only where nothing endangers health and the local authority allows it"
RECLAIMED = "El Paso Water; Stuart and Oldsmar, Florida: never connected to another source, signs, purple parts"
