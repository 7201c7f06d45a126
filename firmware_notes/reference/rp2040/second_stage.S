/* The ROM copies the first 256 bytes of the flash into RAM, checks the checksum in their last four, which image.c
 * writes, and runs them. They make the flash readable like memory, by the plain command 03 with 24 bits of address, which
 * every serial flash has, at a quarter of the clock; then they go to the vectors that follow them in the flash.
 * Source: RP2040 datasheet, 2.8.1 and 4.10 (recalled).
 */
        .syntax unified
        .cpu cortex-m0plus
        .thumb
        .section .second_stage, "ax"
        .global second_stage
        .thumb_func
second_stage:
        ldr     r0, =0x18000000 /* the flash's interface */
        movs    r1, #0
        str     r1, [r0, #0x08] /* off, while it is set up */
        str     r1, [r0, #0x04]
        movs    r1, #4
        str     r1, [r0, #0x14] /* clock divided by four */
        ldr     r1, =0x001F0300 /* one data line, 32 bits read after each address */
        str     r1, [r0, #0x00]
        ldr     r1, =0x03000218 /* the command 03, of 8 bits, and 24 bits of address */
        ldr     r2, =0x180000F4
        str     r1, [r2]
        movs    r1, #1
        str     r1, [r0, #0x08]
        ldr     r0, =0x10000100 /* the first vectors: stack and start */
        ldr     r1, =0xE000ED08
        str     r0, [r1]
        ldmia   r0!, {r1, r2}
        msr     msp, r1
        bx      r2
        .ltorg
