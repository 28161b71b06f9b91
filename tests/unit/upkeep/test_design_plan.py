"""Drawn heads: read with their units, reviewed by place, compared with the site file, regrouped, and sketched."""

from __future__ import annotations

import xml.etree.ElementTree as Xml
from pathlib import Path

import pytest
from tests.unit.sites import site, zone

from dewpond.model.site import HeadKind, Heads, Supply
from dewpond.settings.site_file import require_site
from dewpond.upkeep.design import Plan, PlanRefused, read_heads, read_zones, regroupings, review, sketch
from dewpond.upkeep.design.drawn import neighbours

SITES = Path(__file__).parents[3] / "deploy" / "sites"
SVG = "{http://www.w3.org/2000/svg}"
SPRAY = "lawn,spray,{x},{y},3.6,180,4,210\n"
HEADER = "zone,kind,x_m,y_m,radius_m,arc_deg,flow_l_min,rated_pressure_kpa\n"
BUILT = (Heads(kind=HeadKind.SPRAY, count=4, flow_l_min=4.0, radius_m=3.6, arc_deg=180.0, rated_pressure_kpa=210.0),)
SQUARE = ((0, 0), (3.6, 0), (0, 3.6), (3.6, 3.6))


def plan(*at, header=HEADER, row=SPRAY):
    return Plan(heads=read_heads(header + "".join(row.format(x=x, y=y) for x, y in at)))


def codes(found):
    return sorted({each.code for each in found})


def drawn_codes(of, ground=None):
    ground = ground or site(zone(heads=BUILT, flow_l_min=16.0, intake_mm_h=50.0))
    known = codes(review(ground))
    return [code for code in codes(review(ground, plan=of)) if code not in known]


def test_us_units_in_the_header_are_read():
    header = "zone,kind,x_ft,y_ft,radius_ft,arc_deg,flow_gpm,rated_pressure_psi,regulated"
    text = f"{header}\nA,Rotary_Nozzle,10,0,15,90,1,30,yes\n"
    (head,) = read_heads(text)
    assert head.kind is HeadKind.ROTARY_NOZZLE
    assert head.x_m == pytest.approx(3.048)
    assert head.radius_m == pytest.approx(4.572)
    assert head.flow_l_min == pytest.approx(3.7854, abs=1e-4)
    assert head.rated_pressure_kpa == pytest.approx(206.84, abs=0.01)
    assert head.regulated
    assert read_zones("zone,area_ft2,output\nA,1000,3\n")[0].area_m2 == pytest.approx(92.903)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "0 rows; 1 to"),
        ("zone,x_m\nA,1\n", "no column kind"),
        ("zone,kind,size\nA,spray,3\n", 'column "size" is not known'),
        ("zone,kind\nA,cannon\n", 'line 2: kind "cannon" is not known'),
        ("zone,kind\n,spray\n", "zone is empty"),
        ("zone,kind,radius_m\nA,spray,-3\n", 'radius_m "-3" cannot be; between 0.05 and 100'),
        ("zone,kind,radius_ft\nA,spray,1000\n", "between 0.164 and 328.1"),
        ("zone,kind,flow_l_min\nA,spray,nan\n", "cannot be"),
        ("zone,kind,sun\nA,spray,moon\n", 'sun "moon" is not known'),
        ("zone,kind,check_valve\nA,spray,perhaps\n", "neither yes nor no"),
    ],
)
def test_nonsense_in_a_plan_is_refused(text, said):
    with pytest.raises(PlanRefused, match=said):
        read_heads(text)


def test_zones_that_stand_twice_or_have_no_output_are_refused_together():
    with pytest.raises(PlanRefused) as told:
        read_zones("zone,output\nA,x\nA,3\n")
    assert len(str(told.value).splitlines()) == 2


def test_a_plan_like_the_site_file_differs_in_nothing():
    assert drawn_codes(plan(*SQUARE)) == []


def test_counts_numbers_and_zones_that_differ_are_listed():
    ground = site(zone(heads=BUILT), zone("bed", output=2))
    drawn = Plan(
        heads=plan(*SQUARE[:3], row="lawn,spray,{x},{y},4.2,180,5.5,210\n").heads,
        zones=read_zones("zone,area_m2,output,plants\nlawn,80,1,\nattic,10,5,\n"),
    )
    said = [each.what for each in review(ground, plan=drawn) if each.code == "plan_differs"]
    assert "spray heads: 3 on the plan, 4 in the site file" in said
    assert "area is 80 m2 on the plan and 60 m2 in the site file" in said
    assert "mean radius of its spray heads is 4.2 m on the plan and 3.6 m in the site file" in said
    assert "the plan has this zone, the site file does not" in said
    assert "the site file has this zone, the plan does not" in said
    assert not any("flow" in each for each in said)  # 16.5 against 16 L/min lies within a tenth


def test_neighbours_are_those_with_nothing_between_them():
    """Relative neighbourhood: a square has its four sides and no diagonal; other ground is nobody's neighbour."""
    heads = plan(*SQUARE, (40, 0)).heads
    pairs = neighbours(heads)
    assert len(pairs) == 4
    assert {apart for _, apart, _ in pairs} == {3.6}


def test_a_gap_in_a_row_is_found_though_the_row_across_is_near():
    at = [(x, y) for x in (0, 3.6, 8.4) for y in (0, 3.6)]
    (found,) = [each for each in review(site(zone()), plan=plan(*at)) if each.code == "wide_spacing"]
    assert found.number == pytest.approx(4.8 / 7.2)
    assert "4.8 m apart" in found.what


def test_drawn_heads_stand_in_where_the_site_file_lists_none():
    header = HEADER.replace("arc_deg", "arc_deg,regulated")
    unlike = plan(*SQUARE[:2], header=HEADER).heads + plan(*SQUARE[2:], row="lawn,spray,{x},{y},3.6,90,4,210\n").heads
    bare = site(zone(), supplies=(Supply(id="main", source="well", capacity_l_min=60.0, static_pressure_kpa=500.0),))
    told = codes(review(bare, plan=Plan(heads=unlike)))
    assert {"unmatched_rates", "high_pressure"} <= set(told)
    assert "heads_not_described" not in told
    calm = read_heads(header + "lawn,spray,0,0,3.6,180,yes,4,210\nlawn,spray,3.6,0,3.6,180,yes,4,210\n")
    assert "high_pressure" not in codes(review(bare, plan=Plan(heads=calm)))


HYDRO = "zone,kind,x_m,y_m,flow_l_min,plants,sun,elevation_m,check_valve\n"


def test_mixed_plants_light_and_levels_in_one_zone_are_told():
    """San Marcos: turf and shrubs, sun and shade, flat and sloping ground on separate zones."""
    mixed = Plan(heads=read_heads(HYDRO + "lawn,spray,0,0,4,turf,sun,0,no\nlawn,spray,4,0,4,shrubs,shade,3,no\n"))
    assert {"mixed_plants", "sun_and_shade", "top_and_toe", "check_valves"} <= set(drawn_codes(mixed))
    alike = Plan(heads=read_heads(HYDRO + "lawn,spray,0,0,4,turf,sun,0,no\nlawn,spray,4,0,4,turf,part shade,0.2,no\n"))
    assert not {"mixed_plants", "sun_and_shade", "top_and_toe", "check_valves"} & set(drawn_codes(alike))


def test_drawn_heights_replace_those_worked_out_from_the_slope():
    ground = site(zone(heads=BUILT, slope_pct=20.0))
    assert "check_valves" in codes(review(ground))
    flat = Plan(heads=read_heads(HYDRO + "lawn,spray,0,0,4,turf,sun,0,no\nlawn,spray,4,0,4,turf,sun,0.1,no\n"))
    assert "check_valves" not in codes(review(ground, plan=flat))


def test_heads_are_regrouped_by_kind_and_rate_and_never_above_the_share_of_the_supply():
    rotor = Heads(kind=HeadKind.ROTOR, count=12, flow_l_min=6.0, radius_m=9.0, arc_deg=180.0)
    whole = Heads(kind=HeadKind.SPRAY, count=2, flow_l_min=4.0, radius_m=3.6, arc_deg=360.0)
    (way,) = regroupings(site(zone(heads=(*BUILT, whole, rotor), flow_l_min=96.0)))
    shares = [(valve.shares, valve.heads, valve.flow_l_min) for valve in way.valves]
    assert [each for each in shares if "spray" in each[0]] == [
        ("spray heads near 24 mm/h" if "24" in shares[0][0] else shares[0][0], 4, 16.0),
        (shares[1][0], 2, 8.0),
    ]
    assert shares[0][0] != shares[1][0]
    assert [each[1:] for each in shares[2:]] == [(6, 36.0), (6, 36.0)]
    assert all(valve.flow_l_min <= 0.75 * 60.0 for valve in way.valves)
    assert regroupings(site(zone(heads=BUILT))) == ()


def test_a_drawn_zone_is_cut_across_its_longer_side_and_by_needs():
    rows = "".join(f"lawn,spray,{4 * n},0,10,turf,sun,0,no\n" for n in range(8))
    long = Plan(heads=read_heads(HYDRO + rows))
    (way,) = regroupings(
        site(zone(heads=BUILT), supplies=(Supply(id="main", source="well", capacity_l_min=60.0),)), long
    )
    assert [valve.lines for valve in way.valves] == [(2, 3, 4, 5), (6, 7, 8, 9)]
    mixed = Plan(heads=read_heads(HYDRO + "lawn,spray,0,0,4,turf,sun,0,no\nlawn,spray,4,0,4,shrubs,shade,3,no\n"))
    (way,) = regroupings(site(zone(heads=BUILT)), mixed)
    assert [valve.shares for valve in way.valves] == [
        "spray heads on turf in the sun at the toe",
        "spray heads on shrubs in the shade at the top",
    ]
    assert "1) 1 spray head on turf" in way.sentence()


def test_the_invented_garden_has_its_planted_faults_found_and_drawn():
    ground = require_site(SITES / "withy-hollow.toml")
    drawn = Plan(heads=read_heads((SITES / "withy-hollow.heads.csv").read_text()))
    found = review(ground, plan=drawn)
    told = {(each.code, each.id) for each in found}
    assert {
        ("wide_spacing", "back-lawn"),
        ("sun_and_shade", "back-lawn"),
        ("mixed_plants", "flower-beds"),
        ("top_and_toe", "bank"),
        ("check_valves", "bank"),
        ("high_pressure", "front-lawn"),
    } <= told
    assert not any(code == "wide_spacing" and place != "back-lawn" for code, place in told)
    root = Xml.fromstring(sketch(drawn, found, title=ground.name))  # noqa: S314 - our own drawing
    throws = [node for node in root.iter(f"{SVG}path") if "throw" in node.get("class", "")]
    assert len(throws) == len(drawn.heads) == 44
    texts = [node.text or "" for node in root.iter(f"{SVG}text")]
    assert "front-lawn: 12 spray, 62.4 L/min" in texts
    assert any(text.startswith("back-lawn: rotor (lines 18 and 20) heads stand 11.0 m apart") for text in texts)


def test_a_sketch_is_to_scale():
    root = Xml.fromstring(sketch(plan((0, 0), (10, 0), (0, 20)), (), title="x"))  # noqa: S314 - our own drawing
    at = [(float(n.get("cx")), float(n.get("cy"))) for n in root.iter(f"{SVG}circle") if "dot" in n.get("class", "")]
    assert (at[0][1] - at[2][1]) == pytest.approx(2 * (at[1][0] - at[0][0]), abs=0.3)
    bar = next(n for n in root.iter(f"{SVG}line") if n.get("y1") == n.get("y2"))
    label = next(n.text for n in root.iter(f"{SVG}text") if n.text and n.text.endswith(" m"))
    per_m = (at[1][0] - at[0][0]) / 10
    assert float(bar.get("x2")) - float(bar.get("x1")) == pytest.approx(float(label.split()[0]) * per_m, rel=0.01)


def test_a_plan_without_places_cannot_be_sketched():
    with pytest.raises(PlanRefused, match="no head has a place"):
        sketch(Plan(heads=read_heads("zone,kind\nA,spray\n")), (), title="x")
