#include "config.h"

#include "line.h"

#include <avr/pgmspace.h>

#include "hal.h"

/* A frame as the cells that stand on the line, in the order of time from the lowest bit on: start bit, data bits,
 * parity bit, stop bit. Here idle is 1; a line that idles low has all of them the other way round. */
static uint16_t cells_of(uint8_t value)
{
    uint8_t data = value;
    uint16_t cells;

#if MSB_FIRST
    data = 0;
    for (uint8_t bit = 0; bit < (DATA_BITS > 8 ? 8 : DATA_BITS); bit++) {
        data = (uint8_t)(data << 1 | (value & 1));
        value >>= 1;
    }
#endif
    cells = (uint16_t)data << 1; /* over the start bit, which is 0 */
#if MSB_FIRST && DATA_BITS > 8
    cells <<= DATA_BITS - 8; /* the bits that a byte does not have are 0 */
#endif
#if PARITY == 'E' || PARITY == 'O'
    data ^= data >> 4;
    data ^= data >> 2;
    data ^= data >> 1;
    if ((data & 1) == (PARITY == 'E'))
        cells |= 1U << (DATA_BITS + 1);
#elif PARITY == 'M'
    cells |= 1U << (DATA_BITS + 1);
#endif
    cells |= 1U << CELL_COUNT; /* the stop bit */
#if !IDLE_HIGH
    cells ^= (2U << CELL_COUNT) - 1U;
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
