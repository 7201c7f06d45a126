/* From reset to the tests' main(), on any Cortex-M. */
#include <stdint.h>

#include "../fake_chip.h"

extern uint32_t data_from[], data_begin[], data_end[], zero_begin[], zero_end[], stack_top[];

int main(void);

__attribute__((noreturn)) static void failed(void)
{
    say("FAILED by a fault of the processor\n");
    for (;;)
        say_end(1);
}

__attribute__((noreturn)) void start(void)
{
    const uint32_t *from = data_from;
    for (uint32_t *to = data_begin; to != data_end; to++)
        *to = *from++;
    for (uint32_t *to = zero_begin; to != zero_end; to++)
        *to = 0;
    main();
    failed();
}

typedef void (*vector)(void);

__attribute__((used, section(".vectors"))) const vector vectors[16] = {
    (vector)stack_top, start, failed, failed, failed, failed, failed,
};
