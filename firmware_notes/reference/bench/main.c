/* A simulated press: compiled firmware in a simulated chip, with everything that is wired to it.
 *
 *   bench --link PORT --control SOCKET [--pace X | --stepped] [--patience S] [--noise COUNTS] [--delay CONVERSIONS]
 *         [--seed N] FIRMWARE
 *   bench --console PROGRAM
 *
 * A host opens PORT like any serial port. Orders to the bench go to SOCKET (control.c). The chip's time keeps
 * to the wall's, never ahead of it, so heartbeats mean what they do on a real press; --pace changes how many of its
 * seconds pass in one; with --stepped time passes only in the order `run`. With --patience the chip's time also waits, so many seconds at most, for a host
 * that has fallen silent. With --console the chip's serial line is printed until it sleeps for good.
 */
#define _GNU_SOURCE
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include <sim_elf.h>

#include "cable.h"
#include "control.h"

#define SLICE_CYCLES 8000u /* half a millisecond: how late a byte may be carried */
#define CHIP_HZ 16e6
/* After a stall of the computer, time goes on from there rather than in a rush that no heartbeat keeps up with. */
#define LATE_S 0.01
/* With patience, the chip's time waits for a host that has said nothing for so long: less than half of what a
 * heartbeat may take, and what it is sent meanwhile fits into the pseudo-terminal. */
#define SILENCE_CYCLES 3200000u
#define LOOK_S 0.01
/* A chip that has crashed stays so; orders are still answered. */
#define CRASHED_S 0.05
#define CONSOLE_SECONDS 120u

static struct bench bench = {
    .pace = 1.0,
    /* the seed is the start value that the generator's author prints in his paper (see amplifier_model.c; recalled) */
    .model = {.noise_counts = 40.0, .delay_conversions = 1, .noise_state = 88172645463325252u},
};

static double patience_s;
static volatile sig_atomic_t ended;
static bool reset_seen;
static void (*chip_reset)(avr_t *);

static void end(int number)
{
    (void)number;
    ended = 1;
}

static void no_sleep(avr_t *avr, avr_cycle_count_t cycles)
{
    (void)avr;
    (void)cycles;
}

static void quiet(avr_t *avr, const int level, const char *format, va_list values)
{
    (void)avr;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, values);
}

static double wall_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void was_reset(avr_t *avr)
{
    chip_reset(avr);
    reset_seen = true;
}

static avr_t *chip_with(const char *program)
{
    elf_firmware_t firmware = {0};
    avr_global_logger_set(quiet);
    if (elf_read_firmware(program, &firmware)) {
        fprintf(stderr, "bench: %s is no program\n", program);
        return NULL;
    }
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    if (!avr)
        return NULL;
    avr_init(avr);
    firmware.frequency = (uint32_t)CHIP_HZ;
    avr_load_firmware(avr, &firmware);
    avr->sleep = no_sleep;
    avr->log = LOG_ERROR;
    chip_reset = avr->reset;
    avr->reset = was_reset;
    return avr;
}

static void run_to(avr_t *avr, uint64_t cycle)
{
    while (avr->cycle < cycle && !bench.crashed) {
        int state = avr_run(avr);
        unsigned used = avr->ramend - (unsigned)(avr->data[R_SPL] | avr->data[R_SPH] << 8);
        if (used > bench.stack_bytes && used <= avr->ramend)
            bench.stack_bytes = used;
        bench.crashed = state == cpu_Done || state == cpu_Crashed;
        if (reset_seen && bench.model.avr) {
            /* a reset of the simulated chip forgets what was to come, also from outside of it */
            model_go_on(&bench.model);
            cable_go_on(avr);
        }
        reset_seen = false;
    }
}

/* Waits so long at most, until there is something to carry or an order. */
static void wait_s(double seconds)
{
    struct pollfd waiting[3];
    int handles[3], count = control_handles(handles);
    if (cable_handle() >= 0)
        handles[count++] = cable_handle();
    for (int i = 0; i < count; i++)
        waiting[i] = (struct pollfd){.fd = handles[i], .events = POLLIN};
    struct timespec longest = {.tv_nsec = (long)(seconds * 1e9)};
    ppoll(waiting, (nfds_t)count, &longest, NULL);
}

static void serve(void)
{
    control_serve(&bench);
    cable_carry(bench.avr);
}

/* A computer that is busy with something else is no silent host: once in each silence, it is waited for. */
static void await_host(void)
{
    static uint64_t waited_after;
    uint64_t heard = cable_heard();
    if (!heard || heard == waited_after || bench.avr->cycle - heard < SILENCE_CYCLES)
        return;
    double until_s = wall_s() + patience_s;
    while (cable_heard() == heard && wall_s() < until_s && !bench.quit && !ended) {
        wait_s(LOOK_S);
        serve();
    }
    waited_after = heard;
}

void bench_run(double seconds)
{
    uint64_t until = bench.avr->cycle + (uint64_t)(seconds * CHIP_HZ);
    while (bench.avr->cycle < until && !bench.crashed) {
        cable_carry(bench.avr);
        run_to(bench.avr, bench.avr->cycle + SLICE_CYCLES);
    }
    cable_carry(bench.avr);
}

/* Time passes only in orders, so that whoever gives them has all the time there is. */
static void obey_only(void)
{
    while (!bench.quit && !ended) {
        wait_s(LOOK_S);
        serve();
    }
}

static void run_bench(void)
{
    avr_t *avr = bench.avr;
    double began_s = wall_s(), pace = bench.pace;
    uint64_t began = avr->cycle;
    while (!bench.quit && !ended) {
        serve();
        if (patience_s > 0)
            await_host();
        run_to(avr, avr->cycle + SLICE_CYCLES);
        serve();
        double now_s = wall_s(), due_s = now_s;
        if (bench.crashed)
            due_s = now_s + CRASHED_S;
        else if (bench.pace > 0)
            due_s = began_s + (double)(avr->cycle - began) / CHIP_HZ / bench.pace;
        if (bench.pace != pace || now_s - due_s > LATE_S) {
            began_s = due_s = now_s;
            began = avr->cycle;
            pace = bench.pace;
        }
        while (now_s < due_s && !bench.quit && !ended) {
            wait_s(due_s - now_s);
            serve();
            now_s = wall_s();
        }
    }
}

static int run_console(const char *program)
{
    avr_t *avr = chip_with(program);
    if (!avr)
        return 2;
    cable_console(avr);
    run_to(avr, (uint64_t)(CONSOLE_SECONDS * CHIP_HZ));
    return bench.crashed ? 0 : 1; /* asleep for good, or never */
}

int main(int argc, char **argv)
{
    static const struct option options[] = {
        {"link", required_argument, 0, 'l'},  {"control", required_argument, 0, 'c'},
        {"pace", required_argument, 0, 'p'},  {"noise", required_argument, 0, 'n'},
        {"delay", required_argument, 0, 'd'}, {"seed", required_argument, 0, 's'},
        {"console", no_argument, 0, 'o'},     {"patience", required_argument, 0, 'w'},
        {"stepped", no_argument, 0, 't'},
        {0, 0, 0, 0},
    };
    const char *link = NULL, *control = NULL;
    int option, console = 0, stepped = 0;
    while ((option = getopt_long(argc, argv, "", options, NULL)) != -1) {
        switch (option) {
        case 'l': link = optarg; break;
        case 'c': control = optarg; break;
        case 'p': bench.pace = atof(optarg); break;
        case 'n': bench.model.noise_counts = atof(optarg); break;
        case 'd': bench.model.delay_conversions = (unsigned)atoi(optarg); break;
        case 's': bench.model.noise_state ^= strtoull(optarg, NULL, 10) * 2654435761u; break;
        case 'o': console = 1; break;
        case 't': stepped = 1; break;
        case 'w': patience_s = atof(optarg); break;
        default: return 2;
        }
    }
    if (bench.model.delay_conversions > MOST_DELAYED || bench.pace < 0 || patience_s < 0
        || bench.model.noise_counts < 0) {
        fprintf(stderr, "bench: --delay is 0 to %u, --pace, --patience and --noise are not negative\n", MOST_DELAYED);
        return 2;
    }
    if (optind + 1 != argc || (!console && (!link || !control))) {
        fprintf(stderr, "bench: say --link, --control and a firmware; or --console and a program\n");
        return 2;
    }
    if (console)
        return run_console(argv[optind]);
    struct sigaction action = {.sa_handler = end};
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
    if (!(bench.avr = chip_with(argv[optind])) || !cable_begin(bench.avr, link))
        return 2;
    model_begin(&bench.model, bench.avr);
    /* last: who can give orders finds everything there */
    if (!control_begin(control))
        return 2;
    if (stepped)
        obey_only();
    else
        run_bench();
    cable_end();
    control_end();
    return 0;
}
