"""The stamping program of the PIO: 18 instructions, 9 cycles in each round on every path.

Also when the counter runs out, so the counter never drifts, and no change that lasts 10 cycles or longer is missed (one
of them for the input synchroniser).
"""
# pyright: reportUndefinedVariable=false, reportCallIssue=false
# ruff: noqa: F821  the names are the PIO assembler's: the decorator puts them there

import rp2


@rp2.asm_pio(in_shiftdir=rp2.PIO.SHIFT_LEFT, out_shiftdir=rp2.PIO.SHIFT_RIGHT, fifo_join=rp2.PIO.JOIN_RX)
def stamper():
    # ISR holds the counter, X the levels before and then the counter, Y the levels now, OSR is scratch
    set(x, 0)  # outside the loop: begin as if the counter had run out, which states the levels
    jmp("tick")
    wrap_target()
    mov(osr, pins)  # 1  all pins in one clock
    out(y, 8)  # 2  ours: a MOV alone would bring all 32
    jmp(x_not_y, "edge")  # 3
    mov(x, isr)  # 4
    jmp("tick")[1]  # 5 6
    label("edge")
    mov(x, isr)  # 4
    in_(y, 8)  # 5  ISR = counter << 8 | levels
    push(noblock)  # 6
    label("tick")
    jmp(x_dec, "store")  # 7  falls through when X was 0, and X is all ones then
    mov(osr, x)  # 8
    out(isr, 24)  # 9  counter = 0xFFFFFF
    mov(osr, pins)  # 1  the next sample is sent whether changed or not: the marker
    out(y, 8)  # 2
    jmp("edge")  # 3
    label("store")
    mov(isr, x)  # 8
    mov(x, y)  # 9
    wrap()
