"""`skidwright ports`: the serial ports of this machine, and which of them are skids."""

from typing import Any

import click

from skidwright.cli import options

PROBE_S = 0.6


@click.command(short_help="List serial ports and mark the skids among them.")
@click.option("--no-probe", is_flag=True, help="Only list; ask nobody who they are.")
@click.option("--every", is_flag=True, help="Ask at every port, not only where a board is likely.")
@click.argument("more", nargs=-1, metavar="[PORT]...")
@options.json_option
def ports(no_probe: bool, every: bool, more: tuple[str, ...], as_json: bool) -> None:
    """List the serial ports of this machine and mark the skids among them.

    A port that is likely to be a board (by its USB numbers) is asked who it is, for at most about a second.
    Other ports are left alone unless --every is given, for a question may upset what is connected. Further
    ports, such as socket://HOST:PORT, may be named.

    \b
    Examples:
      skidwright ports
      skidwright ports --json
    """
    from skidwright.cli import output
    from skidwright.link.port import PortInfo, list_ports

    found = [*list_ports(), *(PortInfo(name, "named by you", "", True) for name in more)]
    rows = [_row(port, probe=not no_probe and (every or port.likely)) for port in found]
    if as_json:
        output.print_json({"ports": rows})
    elif rows:
        shown = [(r["port"], r["answer"], r["device"] or "", r["description"], r["usb"]) for r in rows]
        output.print_table(("port", "what answers", "board", "description", "USB"), shown)
    else:
        output.say("no serial ports here: plug the board in (or try the cable: some carry power only)")


def _row(port: Any, probe: bool) -> dict[str, Any]:
    row: dict[str, Any] = {
        "port": port.name,
        "skid": None,
        "answer": "not asked",
        "device": None,
        "firmware": None,
        "description": port.description,
        "usb": port.usb_id,
    }
    if not probe:
        return row
    from skidwright.errors import LinkError, PortError, ProtocolMismatch
    from skidwright.link.session import Session

    try:
        with Session.open(port.name, timeout_s=PROBE_S, tries=2) as session:
            hello = session.hello()
        answer = f"skid, skidboard {hello.firmware}"
        row.update(skid=True, device=hello.device, firmware=hello.firmware, answer=answer)
    except ProtocolMismatch as error:
        row.update(skid=True, answer=error.what)
    except (LinkError, PortError) as error:
        row.update(skid=False, answer=error.what)
    return row
