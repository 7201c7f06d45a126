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

#include "bench.h"
#include "cable.h"
#include "control.h"
#include "schedule.h"
#include "simulated_chip.h"

#define SLICE_CYCLES 8000u /* half a millisecond: how late a byte may be carried */
/* After a stall of the computer, time goes on from there rather than in a rush that no heartbeat keeps up with. */
#define LATE_S 0.01
/* With patience, the chip's time waits for a host that has said nothing for so long: less than half of what a
 * heartbeat may take, and what it is sent meanwhile fits into the pseudo-terminal. */
#define SILENCE_CYCLES 3200000u
#define LOOK_S 0.01
/* A chip that has crashed stays so; orders are still answered. */
#define CRASHED_S 0.05
#define CONSOLE_SECONDS 120u

struct bench bench = {
    .pace = 1.0,
    /* the seed is the start value that the generator's author prints in his paper (see amplifier_model.c; recalled) */
    .model = {.noise_counts = 40.0, .delay_conversions = 1, .noise_state = 88172645463325252u},
};

static volatile sig_atomic_t ended;

static void end(int number)
{
    (void)number;
    ended = 1;
}

static double wall_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void run_to(uint64_t cycle)
{
    while (chip_cycles() < cycle && !chip_ended()) {
        chip_run(cycle);
        schedule_go();
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
    control_serve();
    cable_carry();
}

/* A computer that is busy with something else is no silent host: once in each silence, it is waited for. */
static void await_host(void)
{
    static uint64_t waited_after;
    uint64_t heard = cable_heard();
    if (!heard || heard == waited_after || chip_cycles() - heard < SILENCE_CYCLES)
        return;
    double until_s = wall_s() + bench.patience_s;
    while (cable_heard() == heard && wall_s() < until_s && bench.patience_s > 0 && !bench.quit && !ended) {
        wait_s(LOOK_S);
        serve();
    }
    waited_after = heard;
}

void bench_run(double seconds)
{
    uint64_t until = chip_cycles() + (uint64_t)(seconds * CYCLES_PER_S);
    while (chip_cycles() < until && !chip_ended()) {
        cable_carry();
        run_to(chip_cycles() + SLICE_CYCLES);
        control_watched();
    }
    cable_carry();
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
    double began_s = wall_s(), pace = bench.pace;
    uint64_t began = chip_cycles();
    while (!bench.quit && !ended) {
        serve();
        if (bench.patience_s > 0)
            await_host();
        run_to(chip_cycles() + SLICE_CYCLES);
        control_watched();
        serve();
        double now_s = wall_s(), due_s = now_s;
        if (chip_ended())
            due_s = now_s + CRASHED_S;
        else if (bench.pace > 0)
            due_s = began_s + (double)(chip_cycles() - began) / CYCLES_PER_S / bench.pace;
        if (bench.pace != pace || now_s - due_s > LATE_S) {
            began_s = due_s = now_s;
            began = chip_cycles();
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
    if (!chip_load(program))
        return 2;
    cable_console();
    run_to((uint64_t)(CONSOLE_SECONDS * CYCLES_PER_S));
    return chip_ended() ? 0 : 1; /* asleep for good, or never */
}

int bench_main(int argc, char **argv)
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
        case 'w': bench.patience_s = atof(optarg); break;
        default: return 2;
        }
    }
    if (bench.model.delay_conversions > MOST_DELAYED || bench.pace < 0 || bench.patience_s < 0
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
    if (!chip_load(argv[optind]) || !cable_begin(link))
        return 2;
    model_begin(&bench.model);
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
