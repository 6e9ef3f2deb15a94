/* Runs a firmware image on a simulated AVR (libsimavr), with a trigger, a ring of units and faults at its pins, and
 * writes what its pins did as a value change dump.
 *
 * Usage: rig SCRIPT. The script has a word and its values a line; times are cycles of the chip's clock:
 *
 *   chip NAME HZ            image FILE              vcd FILE
 *   pin NAME PORT BIT       (line, echo, trigger, lamp)
 *   watchdog ADDRESS BIT                            its interrupt's enable bit: set while the chip sleeps deeply
 *   frame BIT_CYCLES CELLS IDLE_LEVEL               a unit's bit time may have a fraction
 *   ring UNITS HOP_BITS WHAT NUMBER                 WHAT: whole, first (NUMBER frames come back), wrong (that frame)
 *   at TIME trigger LEVEL | reset power|external|brown-out | hang | echo LEVEL
 *   until TIME
 *
 * It prints "reset CAUSE CYCLE" for each reset, "ram BYTES" (what data, heap and stack ever reached) and "end CYCLE".
 */
#include <inttypes.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_ioport.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_cycle_timers.h>
#include <simavr/sim_irq.h>
#include <simavr/sim_regbit.h>

#include "ring.h"

#define MOST_EVENTS 4096
#define RAM_MARK 0xA5

enum pin { LINE, ECHO, TRIGGER, LAMP, PINS };
static const char *const pin_names[PINS] = {"line", "echo", "trigger", "lamp"};

struct event {
    avr_cycle_count_t at;
    char what[16], value[16];
};

static struct {
    char chip[32], image[4096], vcd[4096];
    uint32_t hz;
    struct { char port; int bit; bool used; } pin[PINS];
    struct ring ring;
    int watchdog, watchdog_bit;
    avr_cycle_count_t until;
    struct event events[MOST_EVENTS];
    int event_count;
} script;

static avr_t *avr;
static FILE *vcd;
static int levels[PINS] = {-1, -1, -1, -1};
static avr_cycle_count_t vcd_now = (avr_cycle_count_t)-1;
static bool hang_next;

static void die(const char *format, ...)
{
    va_list more;
    va_start(more, format);
    vfprintf(stderr, format, more);
    va_end(more);
    fputc('\n', stderr);
    exit(3);
}

static int pin_of(const char *name)
{
    for (int pin = 0; pin < PINS; pin++)
        if (!strcmp(name, pin_names[pin]))
            return pin;
    die("no pin %s", name);
    return 0;
}

static void read_script(const char *name)
{
    char text[8192], word[16], pin[16], port;
    FILE *file = fopen(name, "r");
    int bit;

    if (!file)
        die("can't read %s", name);
    while (fgets(text, sizeof text, file)) {
        struct event *event = script.events + script.event_count;
        if (sscanf(text, "%15s", word) != 1)
            continue;
        if (!strcmp(word, "chip") && sscanf(text, "%*s %31s %" SCNu32, script.chip, &script.hz) == 2)
            continue;
        if (!strcmp(word, "image") && sscanf(text, "%*s %4095[^\n]", script.image) == 1)
            continue;
        if (!strcmp(word, "vcd") && sscanf(text, "%*s %4095[^\n]", script.vcd) == 1)
            continue;
        if (!strcmp(word, "pin") && sscanf(text, "%*s %15s %c %d", pin, &port, &bit) == 3) {
            int which = pin_of(pin);
            script.pin[which].port = port;
            script.pin[which].bit = bit;
            script.pin[which].used = true;
            continue;
        }
        if (!strcmp(word, "frame") &&
            sscanf(text, "%*s %lf %d %d", &script.ring.bit_cycles, &script.ring.cells,
                   &script.ring.idle) == 3)
            continue;
        if (!strcmp(word, "watchdog") && sscanf(text, "%*s %d %d", &script.watchdog, &script.watchdog_bit) == 2)
            continue;
        if (!strcmp(word, "ring") && sscanf(text, "%*s %d %lf %15s %d", &script.ring.units, &script.ring.hop_bits,
                                            script.ring.fault, &script.ring.number) == 4)
            continue;
        if (!strcmp(word, "until") && sscanf(text, "%*s %" SCNu64, &script.until) == 1)
            continue;
        if (!strcmp(word, "at") && script.event_count < MOST_EVENTS &&
            sscanf(text, "%*s %" SCNu64 " %15s %15s", &event->at, event->what, event->value) >= 2) {
            script.event_count++;
            continue;
        }
        die("%s: %s", name, text);
    }
    fclose(file);
}

static void dump(enum pin pin, int level)
{
    if (levels[pin] == level)
        return;
    levels[pin] = level;
    if (avr->cycle != vcd_now)
        fprintf(vcd, "#%" PRIu64 "\n", (uint64_t)(avr->cycle * 1000000000000.0 / script.hz + 0.5));
    vcd_now = avr->cycle;
    fprintf(vcd, "%d%c\n", level, '!' + pin);
}

static avr_irq_t *irq(enum pin pin)
{
    return avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(script.pin[pin].port), script.pin[pin].bit);
}

/* Whoever drives an input is stronger than the chip's own resistor to its supply; the simulator has to be told. */
static void drive(char port)
{
    avr_ioport_external_t held = {.name = (unsigned long)port};

    for (int pin = 0; pin < PINS; pin++)
        if ((pin == ECHO || pin == TRIGGER) && script.pin[pin].used && script.pin[pin].port == port) {
            held.mask |= 1u << script.pin[pin].bit;
            held.value |= (unsigned long)(levels[pin] & 1) << script.pin[pin].bit;
        }
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &held);
}

static void set_input(enum pin pin, int level)
{
    if (!script.pin[pin].used)
        return;
    dump(pin, level);
    drive(script.pin[pin].port);
    avr_raise_irq(irq(pin), level);
}

static void set_echo(int level)
{
    set_input(ECHO, level);
}

static void output_changed(struct avr_irq_t *source, uint32_t value, void *param)
{
    enum pin pin = (enum pin)(intptr_t)param;
    (void)source;
    dump(pin, value & 1);
    if (pin == LINE && script.ring.units)
        ring_hears(value & 1);
}

/* ---- Events of the script. */

static void no_sleep(avr_t *unused, avr_cycle_count_t cycles_left)
{
    (void)unused;
    (void)cycles_left; /* simulated time need not pass in real time */
}

/* A sleeping chip jumps to the next timer: this one lets it wake in time for the script. */
static avr_cycle_count_t alarm(avr_t *unused, avr_cycle_count_t when, void *param)
{
    (void)unused;
    (void)when;
    (void)param;
    return 0;
}

static void set_alarm(int next)
{
    avr_cycle_count_t at = next < script.event_count ? script.events[next].at : script.until;
    avr_cycle_timer_cancel(avr, alarm, NULL);
    avr_cycle_timer_register(avr, at > avr->cycle ? at - avr->cycle : 1, alarm, NULL);
}

/* After a reset, which stops all of the simulator's timers. In a reset all pins are inputs: the line is held at
 * rest by its resistor. */
static void come_up_again(int next)
{
    ring_forgets();
    dump(LINE, script.ring.idle);
    if (script.ring.units)
        dump(ECHO, script.ring.idle);
    for (int pin = 0; pin < PINS; pin++)
        if (script.pin[pin].used && (pin == ECHO || pin == TRIGGER)) {
            drive(script.pin[pin].port);
            avr_raise_irq(irq(pin), !levels[pin]); /* the simulator passes on changes only */
            avr_raise_irq(irq(pin), levels[pin]);
        }
    set_alarm(next);
}

static void restart(const char *cause, int next)
{
    avr_regbit_t flag = avr->reset_flags.extrf;

    if (!strcmp(cause, "power"))
        flag = avr->reset_flags.porf;
    else if (!strcmp(cause, "brown-out"))
        flag = avr->reset_flags.borf;
    avr_reset(avr);
    avr_regbit_clear(avr, avr->reset_flags.porf);
    avr_regbit_set(avr, flag);
    come_up_again(next);
    printf("reset %s %" PRIu64 "\n", cause, (uint64_t)avr->cycle);
}

static void happen(const struct event *event, int next)
{
    if (!strcmp(event->what, "trigger"))
        set_input(TRIGGER, atoi(event->value));
    else if (!strcmp(event->what, "echo"))
        set_input(ECHO, atoi(event->value));
    else if (!strcmp(event->what, "reset"))
        restart(event->value, next);
    else if (!strcmp(event->what, "hang"))
        hang_next = true;
    else
        die("what is %s?", event->what);
}

/* A program that lost its way: a jump to itself in the last word of flash, with interrupts off. A program that
 * sleeps can't lose it, so this waits until it is awake. */
static void hang(void)
{
    if (avr->state != cpu_Running || avr->data[script.watchdog] >> script.watchdog_bit & 1)
        return;
    avr->flash[avr->flashend - 1] = 0xff;
    avr->flash[avr->flashend] = 0xcf;
    avr->pc = avr->flashend - 1;
    avr->sreg[S_I] = 0;
    hang_next = false;
    printf("hang - %" PRIu64 "\n", (uint64_t)avr->cycle);
}

static void load(void)
{
    static uint8_t image[1 << 18];
    FILE *file = fopen(script.image, "rb");
    size_t size;

    if (!file)
        die("can't read %s", script.image);
    size = fread(image, 1, sizeof image, file);
    fclose(file);
    if (!size || size > avr->flashend + 1)
        die("the image has %zu bytes, the chip %u", size, avr->flashend + 1);
    avr_loadcode(avr, image, (uint32_t)size, 0);
}

static void quiet_log(avr_t *unused, const int level, const char *format, va_list more)
{
    (void)unused;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, more);
}

static void prepare(void)
{
    avr_global_logger_set(quiet_log);
    avr = avr_make_mcu_by_name(script.chip);
    if (!avr)
        die("the simulator has no chip %s", script.chip);
    avr_init(avr);
    avr->frequency = script.hz;
    avr->sleep = no_sleep;
    avr->log = LOG_ERROR;
    load();
    /* The registers and the chip's own input and output stand below; the stack grows down from the end. */
    memset(avr->data + avr->ioend + 1, RAM_MARK, avr->ramend - avr->ioend);
    for (int pin = 0; pin < PINS; pin++)
        if (script.pin[pin].used) {
            dump(pin, pin == LAMP ? 0 : script.ring.idle);
            if (pin == LINE || pin == LAMP)
                avr_irq_register_notify(irq(pin), output_changed, (void *)(intptr_t)pin);
        }
    ring_join(avr, &script.ring, set_echo);
}

static void head(void)
{
    vcd = fopen(script.vcd, "w");
    if (!vcd)
        die("can't write %s", script.vcd);
    fprintf(vcd, "$timescale 1 ps $end\n$scope module box $end\n");
    for (int pin = 0; pin < PINS; pin++)
        if (script.pin[pin].used)
            fprintf(vcd, "$var wire 1 %c %s $end\n", '!' + pin, pin_names[pin]);
    fprintf(vcd, "$upscope $end\n$enddefinitions $end\n");
}

int main(int count, char **words)
{
    int next = 0, ram = 0;
    uint32_t before = 0;

    if (count != 2)
        die("usage: rig SCRIPT");
    read_script(words[1]);
    head();
    prepare();
    set_alarm(0);
    while (avr->cycle < script.until) {
        if (next < script.event_count && avr->cycle >= script.events[next].at) {
            next++;
            happen(script.events + next - 1, next);
            set_alarm(next);
            continue;
        }
        if (hang_next)
            hang();
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed)
            die("the program ended (%d) at cycle %" PRIu64 ", address %04x", state, (uint64_t)avr->cycle, avr->pc);
        /* A reset of the watchdog's is seen by the program counter's jump to the start. */
        if (avr->pc == 0 && before != 0) {
            if (avr_regbit_get(avr, avr->reset_flags.wdrf)) {
                printf("reset watchdog %" PRIu64 "\n", (uint64_t)avr->cycle);
                come_up_again(next);
            }
        }
        before = avr->pc;
    }
    for (uint32_t address = avr->ioend + 1; address <= avr->ramend; address++)
        ram += avr->data[address] != RAM_MARK;
    fprintf(vcd, "#%" PRIu64 "\n", (uint64_t)(avr->cycle * 1000000000000.0 / script.hz + 0.5));
    fclose(vcd);
    printf("ram %d\nend %" PRIu64 "\n", ram, (uint64_t)avr->cycle);
    return 0;
}
