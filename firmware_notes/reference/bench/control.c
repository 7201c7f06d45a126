#define _GNU_SOURCE
#include "control.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include "cable.h"
#include "simulated_chip.h"

#define LONGEST_LINE 256

static int door = -1, visitor = -1;
static const char *door_path;
static char line[LONGEST_LINE], watched[LONGEST_LINE];
static int filled;

static bool is(const char *word, const char *wanted)
{
    return word && strcmp(word, wanted) == 0;
}

static bool switch_mode(const char *word, enum switch_mode *mode)
{
    if (is(word, "press"))
        *mode = SWITCH_PRESSED;
    else if (is(word, "release"))
        *mode = SWITCH_RELEASED;
    else if (is(word, "free"))
        *mode = SWITCH_FREE;
    else
        return false;
    return true;
}

static bool set_amplifier(struct press_model *model, const char *word)
{
    if (is(word, "run"))
        model->amplifier = AMPLIFIER_RUNS;
    else if (is(word, "silent"))
        model->amplifier = AMPLIFIER_SILENT;
    else if (is(word, "saturated"))
        model->amplifier = AMPLIFIER_SATURATED;
    else if (is(word, "frozen"))
        model->amplifier = AMPLIFIER_FROZEN;
    else if (is(word, "unexcited"))
        model->amplifier = AMPLIFIER_UNEXCITED;
    else if (is(word, "caught")) {
        model->amplifier = AMPLIFIER_CAUGHT;
        model->caught_n = model->force_n;
    } else if (is(word, "stuck")) {
        model->amplifier = AMPLIFIER_STUCK_LOW;
        chip_drive(AMPLIFIER_DATA, false);
    } else
        return false;
    return true;
}

static bool set_scale(struct press_model *model, const char *word)
{
    if (is(word, "run"))
        model->scale = SCALE_RUNS;
    else if (is(word, "frozen"))
        model->scale = SCALE_FROZEN;
    else if (is(word, "torn"))
        model_tear_scale(model);
    else
        return false;
    return true;
}

static bool reset(const char *word)
{
    if (is(word, "power"))
        chip_reset(RESET_POWER);
    else if (is(word, "external"))
        chip_reset(RESET_EXTERNAL);
    else if (is(word, "brown-out"))
        chip_reset(RESET_BROWN_OUT);
    else
        return false;
    return true;
}

/* The order behind the number is carried out when that is passed: no host is quick enough for it. */
static bool set_watch(struct press_model *model, const char *word, const char *number, char **then)
{
    if (!number)
        return false;
    watched[0] = 0;
    for (int i = 0; then[i]; i++)
        snprintf(watched + strlen(watched), sizeof watched - strlen(watched), "%s ", then[i]);
    if (is(word, "force"))
        model->watch_n = atof(number);
    else if (is(word, "position"))
        model->watch_mm = atof(number);
    else
        return false;
    return true;
}

static bool set_specimen(struct press_model *model, char **words)
{
    if (is(words[1], "none")) {
        model_new_specimen(model, 0.0, 0.0, 1.0, 0.0);
        return true;
    }
    if (!words[1] || !words[2] || !words[3] || !words[4])
        return false;
    model_new_specimen(model, atof(words[1]), atof(words[2]), atof(words[3]), atof(words[4]));
    return true;
}

/* Each order; false if it makes no sense. */
static bool carry_out(char **words)
{
    struct press_model *model = &bench.model;
    const char *order = words[0], *word = words[1];
    if (is(order, "state"))
        return true;
    if (is(order, "watch"))
        return set_watch(model, word, words[2], words + 3);
    if (is(order, "run") && word) {
        bench_run(atof(word));
        return true;
    }
    bool known = true;
    if (is(order, "mark"))
        ;
    else if (is(order, "stop"))
        model->stop_open = is(word, "open");
    else if (is(order, "home"))
        known = switch_mode(word, &model->home);
    else if (is(order, "upper"))
        known = switch_mode(word, &model->upper);
    else if (is(order, "motor"))
        model->stalled = is(word, "stall");
    else if (is(order, "amplifier"))
        known = set_amplifier(model, word);
    else if (is(order, "scale"))
        known = set_scale(model, word);
    else if (is(order, "reset"))
        known = reset(word);
    else if (is(order, "specimen"))
        known = set_specimen(model, words);
    else if (is(order, "hang"))
        chip_hang();
    else if (is(order, "plugs"))
        model->plugs_swapped = is(word, "swapped");
    else if (is(order, "wires"))
        model->motor_reversed = is(word, "reversed");
    else if (is(order, "shove") && word)
        model_shove(model, atof(word));
    else if (is(order, "push") && word)
        model->pushed_n = atof(word);
    else if (is(order, "backlash") && word)
        model->backlash_steps = atoi(word);
    else if (is(order, "pace") && word)
        bench.pace = atof(word);
    else if (is(order, "patience") && word)
        bench.patience_s = atof(word);
    else if (is(order, "quit"))
        bench.quit = true;
    else
        return false;
    model_refresh(model);
    model_mark(model);
    return known;
}

static double us(uint64_t cycles)
{
    return (double)cycles / CYCLES_PER_US;
}

static void report(char *answer, int room)
{
    const struct press_model *model = &bench.model;
    bool stepped = model->stepped_since_mark, twice = stepped && model->longest > 0;
    snprintf(answer, (size_t)room,
             "{\"time_us\": %.3f, \"steps\": %llu, \"platen_mm\": %.4f, \"force_n\": %.4f, \"deepest_mm\": %.4f, "
             "\"squeezes\": %u, "
             "\"mark_us\": %.3f, \"steps_since\": %llu, \"last_step_since_us\": %.3f, "
             "\"shortest_step_us\": %.3f, \"longest_step_us\": %.3f, \"step_high_us\": %.3f, \"last_high_us\": %.3f, \"clock_high_us\": %.3f, "
             "\"counts\": %lld, \"bytes_sent\": %llu, \"bytes_heard\": %llu, \"bytes_lost\": %llu, \"bytes_wait\": %s, \"motor_on\": %s, \"lamp_on\": %s, "
             "\"stack_bytes\": %u, \"crashed\": %s}\n",
             us(chip_cycles()), (unsigned long long)model->steps, model_platen_mm(model), model->force_n,
             model->specimen.deepest_mm, model->specimen.squeezes, us(model->mark),
             (unsigned long long)(model->steps - model->steps_at_mark),
             stepped ? us(model->last_step - model->mark) : 0.0, twice ? us(model->shortest) : 0.0,
             twice ? us(model->longest) : 0.0, twice ? us(model->shortest_pulse) : 0.0,
             stepped ? us(model->last_pulse) : 0.0, us(model->clock_high), (long long)model->counts,
             (unsigned long long)cable_sent(), (unsigned long long)cable_taken(), (unsigned long long)cable_lost(), cable_waits() ? "true" : "false",
             model->motor_on ? "true" : "false", model->lamp_on ? "true" : "false", chip_stack_bytes(),
             chip_ended() ? "true" : "false");
}

/* An order of the socket, and the answer to it. */
static void obey(char *order, char *answer, int room)
{
    char *words[8] = {0}, *rest = order;
    for (int i = 0; i < 7 && (words[i] = strtok_r(rest, " \r\n", &rest)); i++)
        ;
    if (words[0] && carry_out(words))
        report(answer, room);
    else
        snprintf(answer, (size_t)room, "{\"refused\": \"no such order\"}\n");
}

void control_watched(void)
{
    if (watched[0] && isnan(bench.model.watch_n) && isnan(bench.model.watch_mm)) {
        char answer[1024];
        obey(watched, answer, sizeof answer);
        watched[0] = 0;
    }
}

bool control_begin(const char *path)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof address.sun_path) {
        fprintf(stderr, "bench: control path is too long\n");
        return false;
    }
    strcpy(address.sun_path, path);
    struct stat there;
    if (lstat(path, &there) == 0 && S_ISSOCK(there.st_mode))
        unlink(path); /* left by a bench that was killed; anything else is somebody's */
    door = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (door < 0 || bind(door, (struct sockaddr *)&address, sizeof address) || listen(door, 1)) {
        perror("bench: control");
        return false;
    }
    door_path = path;
    return true;
}

int control_handles(int *handles)
{
    int count = 0;
    if (visitor >= 0)
        handles[count++] = visitor;
    else if (door >= 0)
        handles[count++] = door;
    return count;
}

static void leave(void)
{
    close(visitor);
    visitor = -1;
    filled = 0;
}

static void answer_line(void)
{
    char answer[1024];
    obey(line, answer, sizeof answer);
    size_t length = strlen(answer);
    if (send(visitor, answer, length, MSG_NOSIGNAL) != (ssize_t)length)
        leave();
}

void control_serve(void)
{
    if (visitor < 0) {
        visitor = door < 0 ? -1 : accept4(door, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
        if (visitor < 0)
            return;
    }
    char byte;
    ssize_t got;
    while (visitor >= 0 && (got = read(visitor, &byte, 1)) == 1) {
        if (byte != '\n' && filled < LONGEST_LINE - 1) {
            line[filled++] = byte;
            continue;
        }
        line[filled] = 0;
        filled = 0;
        answer_line();
    }
    if (visitor >= 0 && (got == 0 || (errno != EAGAIN && errno != EINTR)))
        leave();
}

void control_end(void)
{
    if (visitor >= 0)
        close(visitor);
    if (door >= 0)
        close(door);
    if (door_path)
        unlink(door_path);
}
