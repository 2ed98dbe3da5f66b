"""Joined circuits in time: pump drive with its leads, supply entry, heartbeat. Each is a netlist that prints
figures.

All parts are those of circuit.toml; added are sources, leads and what stands outside the box.
"""

from __future__ import annotations

from ..front_end.parts import FrontEnd
from .model import Circuit
from .spice import MODELS, circuit_lines


def _deck(
    title: str, lines: list[str], control: list[str], options: str = "method=gear itl4=100 cshunt=1e-10"
) -> str:
    return "\n".join(
        [
            f"* {title}",
            *lines,
            MODELS.rstrip(),
            f".options {options}",
            ".control",
            *control,
            "quit",
            ".endc",
            ".end",
            "",
        ]
    )


def _motor(p: FrontEnd, plus: str, minus: str, start_a: float, back_emf_v: float) -> list[str]:
    """Leads, overload relay's heater and motor from the pump's supply to the transistor."""
    d = p.pump_driver
    return [
        f"lleads {plus} motor_1 {d.motor_lead_uh:g}u ic={start_a:g}",
        f"rheater motor_1 motor_2 {d.overload_ohm:g}",
        f"rmotor motor_2 motor_3 {d.motor_ohm:g}",
        f"lmotor motor_3 motor_4 {d.motor_mh:g}m ic={start_a:g}",
        f"vback motor_4 {minus} {back_emf_v:g}",
    ]


def pump_edges(circuit: Circuit, p: FrontEnd, as_drawn: bool = True) -> str:
    """The pump at half duty and rated current, with supply and motor leads.

    Prints the peak at the transistor, the energy it took in avalanche in each edge, and the current through
    the bulk capacitor. `as_drawn` False puts the diode at the motor and takes the capacitors away: what a
    lead does.
    """
    d = p.pump_driver
    volts = d.supply_volts * (1 + d.supply_tolerance_percent / 100)
    period = 1 / d.pwm_hz
    parts = circuit.only("pump_driver")
    lines = [
        f"vsupply source 0 {volts:g}",
        f"lsupply source v24_pump {d.supply_lead_uh:g}u ic={d.motor_rated_a / 2:g}",
    ]
    back = volts / 2 - d.motor_rated_a * (d.motor_ohm + d.overload_ohm)
    if as_drawn:
        # The loop of transistor, diode and capacitor has an inductance of its own.
        parts = parts.without("D1", "R4")
        lines += [
            f"lloop pump pump_d {d.loop_nh:g}n ic={d.motor_rated_a:g}",
            "dd1 pump_d v24_pump power_schottky",
        ]
    else:
        parts = parts.without("D1", "C2", "C3", "R4", "R5", "C4")
        lines += [
            "dd1 motor_5 motor_1 power_schottky",
            "rjoin motor_5 pump_end 1m",
            "rleadend pump_end pump 1m",
        ]
    minus = "pump" if as_drawn else "motor_5"
    lines += circuit_lines(parts, p) + _motor(p, "v24_pump", minus, d.motor_rated_a, back)
    if not as_drawn:
        # The lead between diode and transistor is half of the motor's.
        lines = [x for x in lines if not x.startswith("rleadend")]
        lines.append(f"lback pump_end pump {d.motor_lead_uh / 2:g}u ic={d.motor_rated_a:g}")
    lines += [
        "vv5 v5 0 5",
        f"vgate gp16 0 pulse(0 3.3 0 10n 10n {period / 2:g} {period:g})",
        "rgp22 gp22 0 1k",
        "rstored stored_gate 0 10k",
        # transistor's own loss above nine tenths of its rating: only in breakdown
        f"bava ava 0 v = v(pump) > {0.9 * d.transistor_volts:g} ? v(pump)*abs(i(vdrain)) : 0",
    ]
    lines = [x.replace("dq1 0 pump ", "dq1 q1_d pump ") for x in lines]
    lines += ["vdrain q1_d 0 0"]
    bulk = ["meas tran bulk_a rms i(vbulk) from=0.2m to=0.4m"] if as_drawn else []
    if as_drawn:
        lines = [x.replace("rc2 c2_esr 0 ", "rc2 c2_esr c2_low ") for x in lines] + ["vbulk c2_low 0 0"]
    control = [
        "tran 20n 0.4m 0 40n uic",
        "meas tran peak max v(pump) from=0.1m to=0.4m",
        "meas tran joules integ v(ava) from=0.2m to=0.4m",
        "meas tran supply_most max v(v24_pump) from=0.1m to=0.4m",
        *bulk,
        f"let avalanche_mj = joules*1000/{0.2e-3 / period:g}",
        "print avalanche_mj",
    ]
    return _deck("pump drive with its leads", lines, control)


def pump_inrush(circuit: Circuit, p: FrontEnd) -> str:
    """K1's contact closes on the empty bulk capacitor: peak current through it, and how long above 20 A."""
    d = p.pump_driver
    volts = d.supply_volts * (1 + d.supply_tolerance_percent / 100)
    lines = [
        f"vsupply source 0 {volts:g}",
        f"lsupply source lead {d.supply_lead_uh:g}u",
        # supply's output, lead, entry transistor, fuse
        "rsupply lead pump_fused 0.08",
        "vclose close 0 pwl(0 0 10u 0 10.1u 1)",
        "sk1 pump_fused contact close 0 closes",
        "vk1 contact v24_pump 0",
        *circuit_lines(
            circuit.only("pump_driver").without("U1", "C1", "R1", "R2", "Q1", "D1", "R5", "C4"), p
        ),
    ]
    control = [
        "tran 0.1u 2m uic",
        "meas tran inrush_a max i(vk1)",
        "meas tran above when i(vk1)=20 fall=last",
    ]
    return _deck("inrush through K1", lines, control)


def motor_short(circuit: Circuit, p: FrontEnd) -> str:
    """The motor's leads joined at its terminals while the transistor is on: current from the bulk
    capacitor.
    """
    d = p.pump_driver
    volts = d.supply_volts * (1 + d.supply_tolerance_percent / 100)
    limit = p.supply.rated_a * p.supply.limit_max_percent / 100
    lines = [
        # a supply that gives its limit and no more
        f"bsupply 0 v24_pump i = {limit:g}*tanh(max(0,({volts:g}-v(v24_pump))/0.2))",
        *circuit_lines(circuit.only("pump_driver").without("R4"), p),
        f"lleads v24_pump short {d.motor_lead_uh:g}u",
        f"rheater short pump {d.overload_ohm:g}",
        "vv5 v5 0 5",
        "vgate gp16 0 pwl(0 0 10u 0 10.1u 3.3 1m 3.3 1.0001m 0)",
        "rgp22 gp22 0 1k",
        "rstored stored_gate 0 10k",
    ]
    lines = [x + f" ic={volts:g}" if x.startswith(("cc2 ", "cc3 ")) else x for x in lines]
    control = [
        "tran 0.1u 3m 0 1u uic",
        "meas tran short_a max i(lleads)",
        "meas tran settled_a find i(lleads) at=0.9m",
        "meas tran peak max v(pump)",
    ]
    return _deck("motor terminals joined", lines, control)


def supply_surge(circuit: Circuit, p: FrontEnd, sign: int) -> str:
    """A surge of 1.2/50 us on the 24 V at J1 (IEC 61000-4-5): voltage behind the entry, current in the
    suppressor.
    """
    s = p.supply
    # 1.2/50 us as the difference of two exponentials (usual fit: 0.4074 and 68.22 us, factor 1.037)
    wave = f"{sign * s.surge_v * 1.037:g}*(exp(-time/68.22u)-exp(-time/0.4074u))"
    lines = [
        f"bsurge surge 0 v = {p.pump_driver.supply_volts:g} + {wave}",
        f"rsurge surge v24_in {s.surge_ohm:g}",
        *[x.replace("v24_in", "v24_tvs", 1) if x.startswith("dd10a") else x for x in _entry(circuit, p)],
        "vtvs v24_in v24_tvs 0",
        "rload v24 0 12",
    ]
    control = [
        "tran 0.05u 300u",
        "meas tran highest max v(v24)",
        "meas tran lowest min v(v24)",
        "meas tran most_a max i(vtvs)",
        "meas tran least_a min i(vtvs)",
    ]
    return _deck("surge at the supply entry", lines, control, "itl4=100")


def _entry(circuit: Circuit, p: FrontEnd) -> list[str]:
    return circuit_lines(circuit.only("supply_entry").without("F1", "F2", "F3", "F4", "F5", "F6"), p)


def supply_reversed(circuit: Circuit, p: FrontEnd) -> str:
    """Plus and minus exchanged at J1."""
    volts = p.pump_driver.supply_volts * (1 + p.pump_driver.supply_tolerance_percent / 100)
    lines = [f"vsupply v24_in 0 {-volts:g}", *_entry(circuit, p), "rload v24 0 12"]
    return _deck(
        "supply reversed", lines, ["op", "let reversed_ma = i(vsupply)*1000", "print v(v24) reversed_ma"]
    )


# What the pin of the heartbeat may do: it beats, stands high or low, or the board has no supply.
HEARTS = ("beats", "stops high", "stops low", "never beats", "no supply", "stuck high from the start")


def heartbeat(circuit: Circuit, p: FrontEnd, heart: str, pin_high_v: float, gap_ms: float) -> str:
    """The pin turns over each `gap_ms` for 4 s, or does not; then it stands still. Lamp voltages 0.2 to 15
    s.
    """
    stop_s, end_s = 4.0, 15.0
    edges: list[tuple[float, float]] = [(0.0, 0.0)]
    if heart in ("beats", "stops high", "stops low"):
        time, level = 0.0, 0.0
        while time < (end_s if heart == "beats" else stop_s):
            time += gap_ms / 1000
            edges += [(time, level)]
            level = pin_high_v - level
            edges += [(time + 1e-5, level)]
        last = {"stops high": pin_high_v, "stops low": 0.0}.get(heart, level)
        edges += [(time + 0.05, edges[-1][1]), (time + 0.05001, last)]
    if heart == "stuck high from the start":
        edges = [(0.0, pin_high_v)]
    wave = " ".join(f"{t:g} {v:g}" for t, v in edges)
    # 20 mA lamps; the board's pin floats to its resistor without supply
    lines = [
        "vfused v24_lamp 0 24",
        *circuit_lines(circuit.only("lamps").without("R36", "R37", "Q33", "F10", "R40"), p),
        "rh1 v24_lamp running_lamp 1200",
        "rh2 v24_lamp fault_lamp 1200",
        f"vpin gp5 0 pwl({wave})" if heart not in ("no supply", "never beats") else "rpin gp5 0 50k",
    ]
    control = [f"tran 5m {end_s:g} uic"]
    for name in ("running", "fault"):
        control += [
            f"meas tran {name}_early find v({name}_lamp) at=3.9",
            f"meas tran {name}_late find v({name}_lamp) at={end_s - 0.1:g}",
            f"meas tran {name}_most max v({name}_lamp) from=2 to=3.9",
            f"meas tran {name}_least min v({name}_lamp) from=2 to=3.9",
        ]
    control += [
        "meas tran beating_least min v(beating) from=2 to=3.9",
        "meas tran lit when v(running_lamp)=12 fall=1",
        "meas tran dark when v(running_lamp)=12 rise=last td=4",
    ]
    return _deck(f"heartbeat {heart}", lines, control)


def joined_netlists(circuit: Circuit, p: FrontEnd) -> dict[str, str]:
    """The joined circuits as files for hardware/spice/, text by file name."""
    return {
        "joined_pump_edges.cir": pump_edges(circuit, p),
        "joined_pump_inrush.cir": pump_inrush(circuit, p),
        "joined_motor_short.cir": motor_short(circuit, p),
        "joined_supply_surge.cir": supply_surge(circuit, p, 1),
        "joined_supply_reversed.cir": supply_reversed(circuit, p),
        "joined_heartbeat.cir": heartbeat(circuit, p, "stops high", 2.62, p.heartbeat.tick_ms),
    }
