"""The PIO program that counts edges. Its words are assembled, never called."""

# ruff: noqa: F821
import rp2


@rp2.asm_pio()
def counter():
    """Counts X down by one for each rise of pin 0 when every level lasts 9 cycles and more.

    8 cycles would do, but reading may take one away. A low of less than 6 cycles or a high of less than 7 is
    not believed; in between it depends on when it comes. The low side waits a cycle less because
    `jmp(x_dec)` takes one. X falls through its zero like any other number. There is no label after the last
    instruction: it may relocate wrongly.
    """
    label("high")
    wait(0, pin, 0)[5]
    jmp(pin, "high")
    label("low")
    wait(1, pin, 0)[6]
    jmp(pin, "count")
    jmp("low")
    label("count")
    jmp(x_dec, "high")
