"""The PIO program that counts edges. Its words are assembled, never called."""

# ruff: noqa: F821
import rp2


@rp2.asm_pio()
def counter():
    """Counts X down by one for each pulse of pin 0 whose low and high level each last 8 cycles and more.

    A shorter spike, to either side, is not believed. X falls through its zero like any other number.
    """
    label("high")
    wait(0, pin, 0)[7]
    jmp(pin, "high")
    label("low")
    wait(1, pin, 0)[7]
    jmp(pin, "count")
    jmp("low")
    label("count")
    jmp(x_dec, "high")
