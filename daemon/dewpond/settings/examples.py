"""What a needed key looks like when it is written: the remedy where it is missing."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import BaseModel

from dewpond.settings import schema

# By table and key as written in the file. The values are possible ones of an invented place, not advice.
EXAMPLES: Mapping[type[BaseModel], Mapping[str, str]] = {
    schema.SiteTable: {
        "name": '"Withy Hollow"',
        "latitude": "40.7",
        "longitude": "-74.2",
        "timezone": '"America/New_York"',
    },
    schema.RainHoldTable: {"after": '"10 mm"', "days": "2"},
    schema.RestrictionTable: {"applies_to": '"all"'},
    schema.EventTable: {"name": '"Spring market"', "applies_to": '"all"'},
    schema.PumpTable: {"output": "8"},
    schema.SupplyTable: {"id": '"main"'},
    schema.RelaysTable: {"driver": '"simulated"', "outputs": "8"},
    schema.HeadsTable: {"kind": '"spray"', "count": "6"},
    schema.DeepWateringTable: {"depth": '"40 mm"', "every": '"14 d"'},
    schema.ExemptionTable: {"reason": '"new sod, by letter of the water office"', "until": '"2027-05-31"'},
    schema.EstablishmentTable: {"kind": '"sod"', "from": '"2027-05-01"', "until": '"2027-05-31"'},
    schema.DormantTable: {"from": '"11-01"', "until": '"03-15"'},
    schema.CoolingTable: {"above": '"34 degC"', "minutes": '"3 min"', "hours": '["12:00", "16:00"]'},
    schema.ZoneTable: {"id": '"north-lawn"', "output": "3", "area": '"72 m2"'},
    schema.ProgramTable: {"name": '"Program A"', "zones": '{north-lawn = "12 min"}', "starts": '["05:00"]'},
    schema.SensorTable: {"id": '"rain-gauge"', "kind": '"rain"', "topic": '"garden/rain"'},
    schema.FeedTable: {"kind": '"csv"'},
}


def remedy(model: type[BaseModel], key: str) -> str:
    """How to write a needed key of a table; plain words where no value is at hand."""
    example = EXAMPLES.get(model, {}).get(key)
    return f"write for instance {key} = {example}" if example else "add it to the table"
