"""Commands after which a pump may run. Whoever gives one must know at the end whether it runs.

A command whose answer does not come may have been carried out. So the skid is told to stop then, and asked,
over a new connection if need be, until it says that its pump is off; where that cannot be had, the error says
that the pump may be running and what stops it without a board.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from skidwright.errors import LinkError, LinkTimeout, PortError, PumpMayRun, Refused
from skidwright.link.session import Session

_AT_REST = ("standby", "tripped")
# How long a stop is tried for, and how long to wait for a port that is gone.
_TRY_S = 12.0
_WAIT_S = 0.5
HARDWARE_STOP = (
    "press the stop button of the stop chain: it cuts the pump's supply without the board (docs/safety.md); "
    "check the cable afterwards"
)


def drive(session: Session, text: str, reopen: Callable[[str], Session] = Session.open) -> None:
    """Give a command after which the pump or an output may run: start, duty, hold, cleanup start and so on.

    When no answer comes, or the user interrupts, the skid is stopped. Raises Refused, with nothing changed;
    LinkTimeout when the answer was lost and the skid is known to stand; PumpMayRun when that is not known.
    `reopen` gives a new session for the name of a port that is gone.
    """
    try:
        session.command(text)
    except Refused:
        raise
    except (LinkError, PortError):
        state = make_sure_it_stands(session, f"no answer to `{text}`", reopen)
        raise LinkTimeout(
            f"no answer to `{text}`; the skid was stopped and says that it is in {state}, its pump off",
            session.where,
            "check the cable, then repeat",
        ) from None
    except KeyboardInterrupt:
        make_sure_it_stands(session, f"`{text}` was interrupted", reopen)
        raise


def make_sure_it_stands(session: Session, why: str, reopen: Callable[[str], Session] = Session.open) -> str:
    """Stop the skid and return the state it is in then, its pump and clean-up output off.

    Raises PumpMayRun, which begins with `why`, when that cannot be known within some seconds.
    """
    end_s = time.monotonic() + _TRY_S
    talk: Session | None = session
    said = ""
    try:
        while time.monotonic() < end_s:
            try:
                if talk is None:
                    talk = reopen(session.where)
                said = _stop_once(talk)
                if said in _AT_REST:
                    return said
            except PortError:
                if talk is not None and talk is not session:
                    talk.port.close()
                talk = None
                time.sleep(_WAIT_S)
            except LinkError:
                continue
    except KeyboardInterrupt:
        pass
    finally:
        if talk is not None and talk is not session:
            talk.port.close()
    answer = f"the board says {said}" if said else "the board does not answer"
    raise PumpMayRun(f"{why}; a stop was sent, and {answer}: the pump may be running", session.where,
                     HARDWARE_STOP)  # fmt: skip


def _stop_once(talk: Session) -> str:
    """Say stop once and ask once; what the board says of its state, with what still runs."""
    tries, talk.tries = talk.tries, 1
    try:
        # Whatever half a frame is left at the board ends here.
        talk.port.write(b"\0")
        talk.command("stop")
        status = talk.status()
    finally:
        talk.tries = tries
    return _state(status)


def _state(status: dict[str, Any]) -> str:
    state = str(status.get("state"))
    cleanup = status.get("cleanup")
    cleanup = cleanup if isinstance(cleanup, dict) else {}
    if cleanup.get("running") or cleanup.get("output"):
        return f"{state}, a clean-up's output on"
    if status.get("duty_permille") or status.get("set_ul_s"):
        return f"{state}, the pump driven"
    return state
