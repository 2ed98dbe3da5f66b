"""Schematics of the front-end blocks by schemdraw, with the values of hardware/front_end.toml."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from skidwright.errors import RigError

from ..front_end.parts import Comparator, FrontEnd, LoopInput, Optocoupler, PumpDriver, StopChain, Thermistor
from .sheet import number


def _library() -> tuple[Any, Any]:
    try:
        import schemdraw
        from schemdraw import elements
    except ImportError:
        raise RigError("schemdraw is not installed; pip install 'skidwright[hardware]'") from None
    schemdraw.use("svg")
    schemdraw.config(fontsize=12, lw=1.6)
    return schemdraw, elements


def _ohm(value: float) -> str:
    return f"{value / 1000:g} kΩ" if value >= 1000 else f"{value:g} Ω"


def _loop_input(e: Any, d: Any, p: LoopInput) -> None:
    d += e.Dot(open=True).label("loop in\n(J8)", "left")
    d += e.FuseIEC().right().label("resettable fuse\n100 mA hold")
    d += e.ResistorIEC().right().label(_ohm(p.ballast_ohm))
    suppressor = d.add(e.Dot())
    d += e.Line().right().length(3.8)
    shunt = d.add(e.Dot())
    d += e.ResistorIEC().right().label(_ohm(p.series_ohm))
    pin = d.add(e.Dot())
    d += e.Line().right().length(2.6)
    d += e.Dot()
    d += e.Line().right().length(1.2)
    d += e.Dot(open=True).label("pin", "right")
    d += e.Zener().at(suppressor.center).down().reverse().label("suppressor\n9 V stand-off", "bottom")
    d += e.Ground()
    d += e.ResistorIEC().at(shunt.center).down().label(
        f"shunt\n{p.shunt_ohm:g} Ω {p.shunt_tolerance_percent:g} %\n{p.shunt_power_w:g} W", "bottom"
    )  # fmt: skip
    d += e.Ground()
    d += e.Capacitor().at(pin.center).down().label(f"{p.filter_uf:g} µF", "bottom")
    d += e.Ground()
    clamp = (pin.center[0] + 2.6, pin.center[1])
    d += e.Schottky().at(clamp).up().label("Schottky", "bottom")
    d += e.Vdd().label("3.3 V")
    d += e.Schottky().at(clamp).down().reverse().label("Schottky", "bottom")
    d += e.Ground()


def _pulse_input(e: Any, d: Any, p: Comparator) -> None:
    d += e.Dot(open=True).label("sensor\n(J5-J7)", "left")
    d += e.Line().right().length(1.2)
    line = d.add(e.Dot())
    d += e.ResistorIEC().right().length(4).label(_ohm(p.series_ohm))
    filtered = d.add(e.Dot())
    d += e.Line().right().length(2.8)
    clamp = d.add(e.Dot())
    d += e.Line().right().length(5.2)
    op = d.add(e.Opamp(leads=True).anchor("in1"))
    d += e.Schottky().at(clamp.center).up().label("Schottky", "bottom")
    d += e.Vdd().label("3.3 V")
    d += e.Schottky().at(clamp.center).down().reverse().label("Schottky", "bottom")
    d += e.Ground()
    d += e.ResistorIEC().at(line.center).up().label(_ohm(p.field_pull_ohm))
    d += e.Schottky().up().reverse().label("Schottky", "bottom")
    d += e.Vdd().label("3.3 V")
    d += e.Capacitor().at(filtered.center).down().label(f"{p.filter_pf:g} pF", "bottom")
    d += e.Ground()
    d += e.Line().at(op.out).right().length(1.0)
    out = d.add(e.Dot())
    d += e.ResistorIEC().at(out.center).up().label(_ohm(p.output_pull_ohm))
    d += e.Vdd().label("3.3 V")
    d += e.Line().at(out.center).right().length(1.6)
    d += e.Dot(open=True).label("pin", "right")
    d += e.Line().at(op.in2).down().length(2.2)
    node = d.add(e.Dot())
    d += e.ResistorIEC().at(node.center).right().tox(out.center).label(_ohm(p.feedback_ohm), "bottom")
    d += e.Line().toy(out.center)
    d += e.ResistorIEC().at(node.center).down().label(_ohm(p.lower_ohm), "bottom")
    d += e.Ground()
    d += e.ResistorIEC().at(node.center).left().label(_ohm(p.upper_ohm), "bottom")
    d += e.Vdd().label("3.3 V")


def _contact_input(e: Any, d: Any, p: Optocoupler) -> None:
    d += e.Dot(open=True).label("24 V when\nclosed (J2)", "left")
    d += e.ResistorIEC().right().label(_ohm(p.series_ohm))
    d += e.Zener().right().reverse().label("Zener 5.1 V")
    d += e.Line().right().length(1.0)
    top = d.add(e.Dot())
    d += e.Line().right().length(3.2)
    against = d.add(e.Dot())
    d += e.Line().right().length(3.2)
    d += e.Line().down().length(0.8)
    opto = d.add(e.Optocoupler().right().anchor("anode"))
    d += e.ResistorIEC().at(top.center).down().label(_ohm(p.bypass_ohm), "bottom")
    d += e.Ground()
    d += e.Diode().at(against.center).down().reverse().label("against\nK1's coil", "bottom")
    d += e.Ground()
    d += e.Line().at(opto.cathode).down().length(1.0)
    d += e.Ground()
    d += e.Line().at(opto.emitter).down().length(1.0)
    d += e.Ground()
    d += e.Line().at(opto.collector).right().length(1.0)
    out = d.add(e.Dot())
    d += e.ResistorIEC().at(out.center).up().label(_ohm(p.pull_ohm), "bottom")
    d += e.Vdd().label("3.3 V")
    d += e.Line().at(out.center).right().length(1.6)
    d += e.Dot(open=True).label("pin", "right")


def _pump_drive(e: Any, d: Any, p: PumpDriver) -> None:
    d += e.Dot(open=True).label("pin GP16", "left")
    d += e.Line().right().length(1.2)
    pull = d.add(e.Dot())
    d += e.Line().right().length(0.8)
    pins = [
        e.IcPin(side=side, anchorname=name) for side, name in (("left", "a"), ("right", "y"), ("top", "v"))
    ]
    driver = d.add(e.Ic(pins=pins, size=(2.4, 1.6)).anchor("a").label("gate\ndriver", "center"))
    d += e.ResistorIEC().at(pull.center).down().label(_ohm(p.pin_pull_ohm), "bottom")
    d += e.Ground()
    d += e.Line().at(driver.v).up().length(0.4)
    d += e.Vdd().label("5 V")
    d += e.ResistorIEC().at(driver.y).right().label(_ohm(p.gate_ohm))
    gate = d.add(e.Dot())
    d += e.Line().right().length(0.8)
    fet = d.add(e.NFet().reverse().anchor("gate"))
    d += e.ResistorIEC().at(gate.center).down().label(_ohm(p.gate_pull_ohm), "bottom")
    d += e.Ground()
    d += e.Line().at(fet.source).down().length(0.8)
    d += e.Ground()
    d += e.Line().at(fet.drain).up().length(0.6)
    drain = d.add(e.Dot())
    d += e.Schottky().at(drain.center).up().length(3).label("D1", "top")
    rail = d.add(e.Dot())
    d += e.Line().at(drain.center).right().length(2.0)
    d += e.ResistorIEC().down().label(f"{p.snubber_ohm:g} Ω", "bottom")
    d += e.Capacitor().down().label(f"{p.snubber_nf:g} nF", "bottom")
    d += e.Ground()
    right = (drain.center[0] + 8.8, drain.center[1])
    d += e.Line().at((drain.center[0] + 2.0, drain.center[1])).to((right[0] - 4.0, right[1]))
    d += e.Line().right().to(right)
    d += e.Dot(open=True).label("J3.4", "right")
    d += e.Line().at(rail.center).right().length(4.8)
    bulk = d.add(e.Dot())
    d += e.Capacitor().down().length(2.2).label(f"{p.bulk_uf:g} µF\n{p.ceramic_uf:g} µF", "bottom")
    d += e.Ground()
    d += e.Line().at(bulk.center).right().tox(right)
    d += e.Dot(open=True).label("J3.1", "right")
    d += e.Line().at((right[0] + 1.6, right[1] + 3)).right().length(0.4)
    d += e.ResistorIEC().right().length(3.4).label("overload relay F7\n(J3.1 to J3.2)", "top")
    d += e.Line().right().length(1.0)
    d += e.Motor().down().length(3).label("pump\nmotor", "bottom")
    d += e.Line().left().tox((right[0] + 1.6, right[1]))
    d += e.Line().at(rail.center).up().length(0.8)
    d += e.Switch().up().label("K1 main\ncontact", "bottom")
    d += e.FuseIEC().up().label(f"F1 {p.fuse_a:g} A", "bottom")
    d += e.Vdd().label("24 V")


def _stop_chain(e: Any, d: Any, p: StopChain) -> None:
    d += e.Vdd().label("24 V")
    d += e.FuseIEC().down().label("F2 1 A", "bottom")
    d += e.Button(nc=True).down().label("J2.1\npressure switch PS\nJ2.2", "bottom")
    over = d.add(e.Dot())
    d += e.Button(nc=True).down().label("J2.3\noverload relay F7\nJ2.4", "bottom")
    d += e.Button(nc=True).down().label("J2.5\nstop button S1\nJ2.6", "bottom")
    after = d.add(e.Dot())
    reset = d.add(e.Button().down().label("J2.7\nreset button S2\nJ2.8", "bottom"))
    joined = d.add(e.Dot())
    d += e.Line().down().length(0.6)
    coil = d.add(e.Dot())
    d += e.Inductor2(loops=3).down().label("K1 coil", "bottom")
    foot = d.add(e.Dot())
    d += e.Ground()
    d += e.Line().at(after.center).right().length(5.6)
    d += e.Switch().down().toy(joined.center).label("K1 holds\nitself (in\nthe box)", "bottom")
    d += e.Line().left().tox(joined.center)
    d += e.Line().at(coil.center).right().length(4.0)
    d += e.Zener().down().length(1.5).label(f"{p.suppressor_v:g} V", "bottom")
    d += e.Diode().down().reverse().toy(foot.center)
    d += e.Line().left().tox(foot.center)
    d += e.Line().at(over.center).left().length(3.0)
    d += e.Dot(open=True).label("contact input\nGP10 over_pressure", "left")
    d += e.Line().at(coil.center).left().length(3.0)
    d += e.Dot(open=True).label("contact input\nGP9 stop_chain", "left")
    d += e.Vdd().at((reset.end[0] + 11.0, 0)).label("24 V")
    d += e.FuseIEC().down().label("F1", "bottom")
    d += e.Switch().down().label("K1 main\ncontact", "bottom")
    d += e.Line().down().length(1.0)
    d += e.Dot(open=True).label("v24_pump\nto the pump alone", "bottom")


def _thermistor_input(e: Any, d: Any, p: Thermistor) -> None:
    d += e.Dot(open=True).label("thermistor\n(J8.7)", "left")
    d += e.ResistorIEC().right().label(_ohm(p.series_ohm))
    pin = d.add(e.Dot())
    d += e.Line().right().length(2.8)
    clamp = d.add(e.Dot())
    d += e.Line().right().length(2.8)
    d += e.Dot(open=True).label("pin GP28", "right")
    d += e.ResistorIEC().at(pin.center).up().label(_ohm(p.pull_ohm), "bottom")
    d += e.Vdd().label("reference")
    d += e.Capacitor().at(pin.center).down().label("100 nF", "bottom")
    d += e.Ground()
    d += e.Schottky().at(clamp.center).up().label("Schottky", "bottom")
    d += e.Vdd().label("3.3 V")
    d += e.Schottky().at(clamp.center).down().reverse().label("Schottky", "bottom")
    d += e.Ground()


_BLOCKS: dict[str, tuple[Callable[..., None], str]] = {
    "loop_input": (_loop_input, "4-20 mA input, one for each loop"),
    "comparator": (_pulse_input, "Pulse input, one for each counter and the flow meter"),
    "optocoupler": (_contact_input, "Contact input, one each for stop chain and pressure switch"),
    "pump_driver": (_pump_drive, "Pump drive"),
    "thermistor": (_thermistor_input, "Thermistor input"),
    "stop_chain": (_stop_chain, "Stop chain: cuts the pump's supply with no program in the path"),
}
SCHEMATICS = tuple(_BLOCKS)


def schematic(front_end: FrontEnd, block: str) -> str:
    """SVG of one block, a name from SCHEMATICS. Raises RigError when schemdraw is not installed."""
    library, elements = _library()
    draw, title = _BLOCKS[block]
    drawing = library.Drawing(show=False)
    draw(elements, drawing, getattr(front_end, block))
    return _framed(drawing.get_imagedata("svg").decode(), title)


def _framed(svg: str, title: str) -> str:
    """The library's SVG with a margin (it takes text for narrower than it is), a white ground and a title."""
    head, rest = svg.split(">", 1)
    box = re.search(r'viewBox="([^"]*)"', head)
    assert box is not None
    x, y, w, h = (float(v) for v in box[1].split())
    x, y, w, h = x - 40, y - 40, w + 110, h + 60
    corner = f'x="{number(x)}" y="{number(y)}" width="{number(w)}" height="{number(h)}"'
    view = f'viewBox="{number(x)} {number(y)} {number(w)} {number(h)}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {view} width="{number(w)}" height="{number(h)}" '
        'role="img">\n'
        f"<title>{title}</title>\n"
        f'<rect {corner} fill="white"/>\n'
        f'<text x="{number(x + 12)}" y="{number(y + 22)}" font-family="sans-serif" font-size="15" '
        f'font-weight="bold">{title}</text>{rest.rstrip()}\n'
    )
