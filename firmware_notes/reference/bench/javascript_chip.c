/* A chip by an emulator that is written in JavaScript: this side of it is an addon of node, the other side
 * rp2040_chip.mjs or stm32f4_chip.mjs. The whole bench runs in one call from there, and calls the emulator to let time pass. */
#include <node_api.h>
#include <stdio.h>
#include <stdlib.h>

#include "amplifier_model.h"
#include "bench.h"
#include "cable.h"
#include "schedule.h"
#include "simulated_chip.h"

#define MOST_WORDS 32

static napi_env node;
static napi_value chip; /* the emulator's object */
static double *times;   /* shared with it: cycles now, and the next that something is scheduled for */

static void must(napi_status status)
{
    if (status == napi_ok)
        return;
    const napi_extended_error_info *info;
    napi_get_last_error_info(node, &info);
    bool thrown = false;
    napi_value error, text;
    napi_is_exception_pending(node, &thrown);
    char stack[2000] = "";
    if (thrown && napi_get_and_clear_last_exception(node, &error) == napi_ok
        && napi_get_named_property(node, error, "stack", &text) == napi_ok)
        napi_get_value_string_utf8(node, text, stack, sizeof stack, NULL);
    fprintf(stderr, "bench: the emulator failed: %s %s\n", info->error_message ? info->error_message : "", stack);
    exit(2);
}

/* Calls a method of the emulator; what it gives back as a number. */
static double ask(const char *method, double first, double second)
{
    napi_handle_scope scope;
    napi_value function, arguments[2], result;
    double value = 0.0;
    times[1] = (double)schedule_next();
    must(napi_open_handle_scope(node, &scope));
    must(napi_get_named_property(node, chip, method, &function));
    must(napi_create_double(node, first, &arguments[0]));
    must(napi_create_double(node, second, &arguments[1]));
    must(napi_call_function(node, chip, function, 2, arguments, &result));
    napi_get_value_double(node, result, &value); /* nothing is no number */
    must(napi_close_handle_scope(node, scope));
    return value;
}

bool chip_load(const char *program)
{
    napi_value function, path, result;
    bool loaded;
    must(napi_get_named_property(node, chip, "load", &function));
    must(napi_create_string_utf8(node, program, NAPI_AUTO_LENGTH, &path));
    must(napi_call_function(node, chip, function, 1, &path, &result));
    must(napi_get_value_bool(node, result, &loaded));
    return loaded;
}

uint64_t chip_cycles(void)
{
    return (uint64_t)times[0];
}

void chip_run(uint64_t until)
{
    ask("run", (double)until, 0.0);
}

void chip_drive(enum input line, bool high)
{
    ask("drive", line, high);
}

void chip_hear(uint8_t byte)
{
    ask("hear", byte, 0.0);
}

void chip_reset(enum reset_cause cause)
{
    ask("reset", cause, 0.0);
}

void chip_hang(void)
{
    ask("hang", 0.0, 0.0);
}

bool chip_ended(void)
{
    return ask("ended", 0.0, 0.0) != 0.0;
}

unsigned chip_stack_bytes(void)
{
    return (unsigned)ask("stackBytes", 0.0, 0.0);
}

static napi_value output(napi_env from, napi_callback_info info)
{
    napi_value arguments[2];
    size_t count = 2;
    uint32_t line;
    bool high;
    node = from;
    must(napi_get_cb_info(node, info, &count, arguments, NULL, NULL));
    must(napi_get_value_uint32(node, arguments[0], &line));
    must(napi_get_value_bool(node, arguments[1], &high));
    model_output((enum output)line, high);
    times[1] = (double)schedule_next();
    return NULL;
}

static napi_value said(napi_env from, napi_callback_info info)
{
    napi_value byte;
    size_t count = 1;
    uint32_t value;
    node = from;
    must(napi_get_cb_info(node, info, &count, &byte, NULL, NULL));
    must(napi_get_value_uint32(node, byte, &value));
    cable_chip_said((uint8_t)value);
    return NULL;
}

static napi_value reading(napi_env from, napi_callback_info info)
{
    napi_value value;
    node = from;
    (void)info;
    must(napi_create_uint32(node, amplifier_model_reading(&bench.model), &value));
    return value;
}

/* run(emulator, times, [word, ...]): the bench's exit code, when it has ended. */
static napi_value run(napi_env from, napi_callback_info info)
{
    static char words[MOST_WORDS][256];
    static char *argv[MOST_WORDS + 2] = {"bench"};
    napi_value arguments[3], word, code;
    size_t count = 3;
    uint32_t argc;
    node = from;
    must(napi_get_cb_info(node, info, &count, arguments, NULL, NULL));
    chip = arguments[0];
    must(napi_get_typedarray_info(node, arguments[1], NULL, NULL, (void **)&times, NULL, NULL));
    must(napi_get_array_length(node, arguments[2], &argc));
    if (argc > MOST_WORDS)
        argc = MOST_WORDS;
    for (uint32_t i = 0; i < argc; i++) {
        must(napi_get_element(node, arguments[2], i, &word));
        must(napi_get_value_string_utf8(node, word, words[i], sizeof words[i], NULL));
        argv[i + 1] = words[i];
    }
    must(napi_create_int32(node, bench_main((int)argc + 1, argv), &code));
    return code;
}

NAPI_MODULE_INIT()
{
    static const napi_property_descriptor functions[] = {
        {"run", NULL, run, NULL, NULL, NULL, napi_default, NULL},
        {"output", NULL, output, NULL, NULL, NULL, napi_default, NULL},
        {"reading", NULL, reading, NULL, NULL, NULL, napi_default, NULL},
        {"said", NULL, said, NULL, NULL, NULL, napi_default, NULL},
    };
    napi_define_properties(env, exports, sizeof functions / sizeof *functions, functions);
    return exports;
}
