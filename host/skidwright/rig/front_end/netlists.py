"""SPICE netlists of the front end, made from the same parts as the calculations.

Each is complete: it runs in batch mode and prints `name = value` lines by `meas` and `print`.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from skidwright.errors import RigError
from skidwright.rig.front_end.parts import Comparator, FrontEnd, LoopInput, Optocoupler, PumpDriver

_VALUE = re.compile(r"^\s*([a-z_][\w()\[\]\-]*)\s*=\s*([-+0-9.e]+)", re.IGNORECASE | re.MULTILINE)


def available() -> bool:
    """True when ngspice can be run here."""
    return shutil.which("ngspice") is not None


def run(netlist: str, timeout_s: float = 240.0) -> dict[str, float]:
    """The values that a netlist prints, by name in lower case.

    Raises RigError when ngspice is missing, does not end in time, or prints no value.
    """
    if not available():
        raise RigError("ngspice is not installed; on Debian: apt install ngspice")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "circuit.cir"
        path.write_text(netlist)
        try:
            done = subprocess.run(
                ["ngspice", "-n", "-b", str(path)],
                capture_output=True, text=True, timeout=timeout_s, cwd=folder, check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            raise RigError(f"ngspice did not end within {timeout_s:g} s") from None
    values = {name.lower(): float(value) for name, value in _VALUE.findall(done.stdout)}
    if not values:
        last = (done.stderr or done.stdout).strip().splitlines()[-1:]
        raise RigError(f"ngspice printed no value: {' '.join(last)}")
    return values


# Diodes and transistors are plain generic models, taken, not those of any part.
_SCHOTTKY = ".model schottky d(is=1u n=1.05 rs=1 cjo=5p)"


def loop_levels(p: LoopInput, loop_ma: float = 20.0) -> str:
    """Operating point at one loop current, with the converter's least input resistance."""
    return f"""* 4-20 mA input, operating point at {loop_ma:g} mA
iloop 0 terminal {loop_ma:g}m
rfuse terminal a {p.fuse_cold_max_ohm:g}
rballast a shunt {p.ballast_ohm:g}
rshunt shunt 0 {p.shunt_ohm:g}
rseries shunt pin {p.series_ohm:g}
radc pin 0 {p.adc_input_ohm:g}
cfilter pin 0 {p.filter_uf:g}u
.control
op
print v(pin)
quit
.endc
.end
"""


def loop_settling(p: LoopInput) -> str:
    """Step from 4 to 20 mA: time until the pin is within 0.1 % of the step."""
    first, last = (ma / 1000 * p.shunt_ohm for ma in (4.0, 20.0))
    return f"""* 4-20 mA input, step from 4 to 20 mA at 10 ms
iloop 0 shunt pulse(4m 20m 10m 1n 1n 1 2)
rshunt shunt 0 {p.shunt_ohm:g}
rseries shunt pin {p.series_ohm:g}
cfilter pin 0 {p.filter_uf:g}u
.control
tran 10u 100m
meas tran settled when v(pin)={last - 0.001 * (last - first):.6f} rise=1
quit
.endc
.end
"""


def loop_cut_off(p: LoopInput) -> str:
    """Frequency at which the filter has lost half the power."""
    return f"""* 4-20 mA input, filter
iloop 0 shunt dc 0 ac {1 / p.shunt_ohm:g}
rshunt shunt 0 {p.shunt_ohm:g}
rseries shunt pin {p.series_ohm:g}
cfilter pin 0 {p.filter_uf:g}u
.control
ac dec 200 1 1k
meas ac cutoff when vdb(pin)=-3.0103
quit
.endc
.end
"""


def loop_fault(p: LoopInput) -> str:
    """24 V straight on the terminal with the fuse still cold: shunt, rail and pin."""
    volts = p.supply_volts * (1 + p.supply_tolerance_percent / 100)
    return f"""* 4-20 mA input, supply straight on the terminal
vfault terminal 0 {volts:g}
rfuse terminal a {p.fuse_cold_min_ohm:g}
rballast a shunt {p.ballast_ohm:g}
dsuppressor 0 shunt suppressor
rshunt shunt 0 {p.shunt_ohm:g}
rseries shunt pin {p.series_ohm:g}
radc pin 0 {p.adc_input_ohm:g}
dclamp pin rail schottky
dground 0 pin schottky
vrail rail 0 {p.reference_mv / 1000:g}
.model suppressor d(is=1n bv={p.suppressor_breakdown_max_v:g} ibv=1m rs=0.02)
{_SCHOTTKY}
.control
op
let shunt_w = v(shunt)*v(shunt)/{p.shunt_ohm:g}
let rail_ma = i(vrail)*1000
let fault_ma = -i(vfault)*1000
let above_mv = (v(pin)-v(rail))*1000
print shunt_w rail_ma fault_ma above_mv
quit
.endc
.end
"""


def comparator_thresholds(p: Comparator) -> str:
    """A slow triangle at the filter's output: input voltages at which the output falls and rises."""
    volts = p.supply_mv / 1000
    return f"""* pulse input, thresholds; the output is on while the input is above the reference node
vcc vcc 0 {volts:g}
vin in 0 pwl(0 0 0.5 {volts:g} 1 0)
rupper vcc ref {p.upper_ohm:g}
rlower ref 0 {p.lower_ohm:g}
rfeedback out ref {p.feedback_ohm:g}
rpull vcc out {p.output_pull_ohm:g}
sout out low in ref drain
vlow low 0 {p.output_low_mv / 1000:g}
cout out 0 10p
.model drain sw(vt=0 vh=0 ron=0.01 roff=1g)
.control
tran 0.1m 1
meas tran rising find v(in) when v(out)={volts / 2:g} fall=1
meas tran falling find v(in) when v(out)={volts / 2:g} rise=1
quit
.endc
.end
"""


def comparator_cable(p: Comparator, cable_m: float) -> str:
    """A sensor lets go of its line: time until the filter's output passes the rising threshold."""
    supply = p.supply_mv / 1000 * (1 - p.supply_tolerance_percent / 100)
    more = 1 + p.resistor_tolerance_percent / 100
    capacity = (p.filter_pf + p.stray_pf) * (1 + p.capacitor_tolerance_percent / 100)
    low = p.sensor_low_max_mv / 1000
    return f"""* pulse input at the end of {cable_m:.3f} m of cable, worst case
vcc vcc 0 {supply:g}
rpull vcc d {p.field_pull_ohm * more:g}
dpull d line pull
ccable line 0 {p.cable_pf_per_m * cable_m:g}p ic={low:g}
rseries line in {p.series_ohm * more:g}
cfilter in 0 {capacity:g}p ic={low:g}
.model pull d(is=1u n=1.05 rs=10)
.control
tran 1n 5u uic
meas tran half find v(in) at={p.shortest_pulse_us / 2 - p.comparator_delay_ns / 1000:g}u
quit
.endc
.end
"""


def optocoupler_levels(p: Optocoupler, volts: float, transfer: float) -> str:
    """Operating point of a contact input at a voltage: diode current and logic level."""
    zener = (p.zener_min_v + p.zener_max_v) / 2
    return f"""* contact input at {volts:g} V
vin in 0 {volts:g}
rseries in a {p.series_ohm:g}
dzener k a zener
rbypass k 0 {p.bypass_ohm:g}
vsense k led 0
dled led 0 led
vlogic logic 0 {p.logic_mv / 1000:g}
rpull logic out {p.pull_ohm:g}
bout out 0 i = {transfer:g}*i(vsense)*min(1,max(0,v(out)/{p.saturation_mv / 1000:g}))
.model zener d(is=1f bv={zener:g} ibv=1m)
.model led d(is=10f n=2 rs=5)
.control
op
let diode_ma = i(vsense)*1000
print diode_ma v(out)
quit
.endc
.end
"""


def pump_drive(p: PumpDriver, duty: float = 0.5, with_diode: bool = True) -> str:
    """The motor held still and switched at a duty: ripple, mean current and peak at the transistor."""
    period = 1 / p.pwm_hz
    diode = "ddiode drain vcc freewheel" if with_diode else "* no free-wheeling diode"
    return f"""* pump drive, duty {duty:g}
vcc vcc 0 {p.supply_volts:g}
rmotor vcc m {p.motor_ohm:g}
lmotor m drain {p.motor_mh:g}m ic={p.supply_volts * duty / p.motor_ohm:g}
{diode}
cdrain drain 0 1n
strans drain 0 gate 0 trans
vgate gate 0 pulse(0 5 0 50n 50n {period * duty - 50e-9:.9g} {period:.9g})
.model trans sw(vt=2.5 vh=0.5 ron={p.transistor_on_mohm * p.transistor_hot_factor / 1000:g} roff=1meg)
.model freewheel d(is=10u n=1 rs=0.02 cjo=200p)
.control
tran 20n 2m uic
meas tran highest max i(lmotor) from=1.8m to=2m
meas tran lowest min i(lmotor) from=1.8m to=2m
meas tran mean avg i(lmotor) from=1.8m to=2m
meas tran peak max v(drain) from=0.1m to=2m
let ripple = highest-lowest
print ripple
quit
.endc
.end
"""


def all_netlists(f: FrontEnd) -> dict[str, str]:
    """The netlists of single blocks as files for hardware/spice/, text by file name."""
    return {
        "loop_levels.cir": loop_levels(f.loop_input),
        "loop_settling.cir": loop_settling(f.loop_input),
        "loop_cut_off.cir": loop_cut_off(f.loop_input),
        "loop_fault.cir": loop_fault(f.loop_input),
        "comparator_thresholds.cir": comparator_thresholds(f.comparator),
        "comparator_cable.cir": comparator_cable(f.comparator, 3.0),
        "optocoupler_closed.cir": optocoupler_levels(
            f.optocoupler, f.optocoupler.supply_volts, f.optocoupler.transfer_min
        ),
        "pump_drive.cir": pump_drive(f.pump_driver),
    }
