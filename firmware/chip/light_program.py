"""The program that stops the converter: 13 instructions, beside the stamper's 18 in one block of 32.

It rests until the processor gives it a number of cycles, takes the FLASH inputs as they are, and looks at them every 4
cycles. At the first change it counts those cycles down and sends a word, which a DMA channel waits for.
"""
# pyright: reportUndefinedVariable=false, reportCallIssue=false
# ruff: noqa: F821  the names are the PIO assembler's: the decorator puts them there

import rp2


@rp2.asm_pio(in_shiftdir=rp2.PIO.SHIFT_LEFT, out_shiftdir=rp2.PIO.SHIFT_RIGHT)
def light():
    # ISR holds the cycles, X the inputs as they were, Y as they are and then the cycles, OSR is scratch
    wrap_target()
    pull(block)  # armed by this
    mov(isr, osr)
    mov(osr, pins)
    out(x, 4)  # ours: a MOV alone would bring all 32
    label("watch")
    mov(osr, pins)  # 1
    out(y, 4)  # 2
    jmp(x_not_y, "seen")  # 3
    jmp("watch")  # 4
    label("seen")
    mov(y, isr)
    label("count")
    jmp(y_dec, "count")
    set(x, 8)  # START_MANY in the converter's CS: DMA writes it where bits are cleared
    mov(isr, x)
    push(noblock)
    wrap()
