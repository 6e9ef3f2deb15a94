#include "config.h"

#include "line.h"

#include <avr/pgmspace.h>

#include "hal.h"

#define DATA_MASK ((1U << DATA_BITS) - 1U)

/* A frame as the cells that stand on the line, in the order of time from the lowest bit on: start bit, data bits,
 * parity bit, stop bit. */
static uint16_t cells_of(uint8_t value)
{
    uint16_t cells = 0, place = 1;
    uint8_t ones = 0;

    for (uint8_t bit = 0; bit < DATA_BITS; bit++) {
#if MSB_FIRST
        bool one = (uint16_t)value >> (DATA_BITS - 1 - bit) & 1U;
#else
        bool one = (uint16_t)value >> bit & 1U;
#endif
        place <<= 1; /* the first one passes over the start bit, which is 0 */
        if (one) {
            cells |= place;
            ones++;
        }
    }
#if PARITY == 'E' || PARITY == 'O'
    place <<= 1;
    if ((ones & 1) == (PARITY == 'E'))
        cells |= place;
#elif PARITY == 'M'
    place <<= 1;
    cells |= place;
#elif PARITY == 'S'
    place <<= 1;
#endif
    (void)ones;
    cells |= (uint16_t)(place << 1); /* the stop bit */
#if !IDLE_HIGH
    cells = (uint16_t)~cells & (uint16_t)((place << 2) - 1U);
#endif
    return cells;
}

#if WITH_ECHO

/* Whether the line comes to rest before we give up. Others may be speaking in the ring. */
static bool comes_to_rest(void)
{
    for (uint16_t tries = BUSY_TRIES; tries; tries--) {
        if (!hal_echo_begins(REST_TICKS))
            return true;
        hal_pause(10);
    }
    return false;
}

static enum fault wait_for_echo(uint16_t cells, bool first)
{
    if (!hal_echo_begins(ECHO_TICKS))
        return first ? FAULT_NO_ECHO : FAULT_ECHO_STOPPED;
    return hal_receive() == cells ? FAULT_NONE : FAULT_ECHO_WRONG;
}

#endif

static enum fault say(const struct message *message)
{
    uint16_t next_pause = 0;

#if WITH_ECHO
    if (!comes_to_rest())
        return FAULT_LINE_BUSY;
#endif
    for (uint16_t index = 0; index < message->length; index++) {
        uint16_t cells = cells_of(pgm_read_byte(message->bytes + index));

        for (; next_pause < message->pause_count; next_pause++) {
            const struct pause *pause = message->pauses + next_pause;
            if (pgm_read_word(&pause->before) != index)
                break;
            hal_pause(pgm_read_dword(&pause->tenths));
        }
        hal_kick();
        hal_send(cells);
#if WITH_ECHO
        enum fault fault = wait_for_echo(cells, index == 0);
        if (fault)
            return fault;
        __builtin_avr_delay_cycles(BIT_CYCLES); /* the rest of the echo's stop bit */
#else
        __builtin_avr_delay_cycles(STOP_CYCLES);
#endif
#if DEAD_CYCLES
        __builtin_avr_delay_cycles(DEAD_CYCLES);
#endif
#if DEAD_TENTHS
        hal_pause(DEAD_TENTHS);
#endif
    }
    return FAULT_NONE;
}

enum fault line_say(const struct message *message)
{
    hal_quiet_begins();
    enum fault fault = say(message);
    hal_quiet_ends();
    return fault;
}
