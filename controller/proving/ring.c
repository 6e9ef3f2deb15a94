/* Units that take a frame by sampling each cell in its middle, and repeat it when they have it whole. They keep to
 * their own bit time, whatever the box makes of it. */
#include "ring.h"

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

#include <simavr/sim_cycle_timers.h>

#define MOST_UNITS 16
#define MOST_WAITING 8

struct unit {
    int index;
    bool reading, writing;
    int read_cell, write_cell, frames;
    uint32_t word, out, waiting[MOST_WAITING];
    int queued;
};

static avr_t *avr;
static struct ring ring;
static void (*echo)(int level);
static struct unit units[MOST_UNITS];
static int line;

static void unit_hears(struct unit *unit, int level);

static avr_cycle_count_t cycles(double bits)
{
    return (avr_cycle_count_t)(bits * ring.bit_cycles + 0.5);
}

static void unit_says(struct unit *unit, int level)
{
    if (unit->index + 1 < ring.units)
        unit_hears(unit + 1, level);
    else
        echo(level);
}

static avr_cycle_count_t write_cell(avr_t *unused, avr_cycle_count_t when, void *param)
{
    struct unit *unit = param;
    (void)unused;
    if (unit->write_cell > ring.cells) {
        unit->writing = false;
        if (unit->queued) {
            unit->out = unit->waiting[0];
            memmove(unit->waiting, unit->waiting + 1, sizeof unit->waiting - sizeof *unit->waiting);
            unit->queued--;
            unit->writing = true;
            unit->write_cell = 0;
        } else {
            return 0;
        }
    }
    unit_says(unit, unit->out >> unit->write_cell & 1);
    unit->write_cell++;
    /* Cells are counted from the frame's start, so that fractions of a cycle do not add up. */
    return when + cycles(unit->write_cell) - cycles(unit->write_cell - 1);
}

static avr_cycle_count_t start_writing(avr_t *unused, avr_cycle_count_t when, void *param)
{
    struct unit *unit = param;
    (void)unused;
    if (unit->writing) {
        if (unit->queued < MOST_WAITING)
            unit->waiting[unit->queued++] = unit->word;
        return 0;
    }
    unit->writing = true;
    unit->write_cell = 0;
    unit->out = unit->word;
    write_cell(avr, when, unit);
    avr_cycle_timer_register(avr, cycles(1), write_cell, unit);
    return 0;
}

static avr_cycle_count_t sample(avr_t *unused, avr_cycle_count_t when, void *param)
{
    struct unit *unit = param;
    int heard = unit->index ? (int)(unit[-1].out >> (unit[-1].write_cell - 1) & 1) : line;
    (void)unused;
    if (unit->index && !unit[-1].writing)
        heard = ring.idle;
    unit->word |= (uint32_t)heard << unit->read_cell;
    unit->read_cell++;
    if (unit->read_cell <= ring.cells)
        return when + cycles(unit->read_cell + 0.5) - cycles(unit->read_cell - 0.5);
    unit->reading = false;
    unit->frames++;
    if (!strcmp(ring.fault, "first") && unit->frames > ring.number)
        return 0;
    if (!strcmp(ring.fault, "wrong") && unit->index == 0 && unit->frames == ring.number)
        unit->word ^= 2; /* the first data bit */
    /* A hop of 9.5 bits at 8N1 starts here, in the middle of the stop bit. */
    avr_cycle_timer_register(avr, cycles(ring.hop_bits - ring.cells - 0.5) + 1, start_writing, unit);
    return 0;
}

static void unit_hears(struct unit *unit, int level)
{
    if (unit->reading || level == ring.idle)
        return;
    unit->reading = true;
    unit->read_cell = 0;
    unit->word = 0;
    avr_cycle_timer_register(avr, cycles(0.5), sample, unit);
}

void ring_join(avr_t *of, const struct ring *settings, void (*to)(int level))
{
    avr = of;
    ring = *settings;
    if (ring.units > MOST_UNITS)
        ring.units = MOST_UNITS;
    echo = to;
    line = ring.idle;
    for (int index = 0; index < MOST_UNITS; index++)
        units[index].index = index;
}

void ring_hears(int level)
{
    line = level;
    unit_hears(units, level);
}

void ring_forgets(void)
{
    for (int index = 0; index < MOST_UNITS; index++)
        units[index].reading = units[index].writing = false, units[index].queued = 0;
    line = ring.idle;
}
