/* The hardware layer: all that the rest knows of the chip. To use another AVR, add it to hal.c's first lines. */
#ifndef HAL_H
#define HAL_H

#include <stdbool.h>
#include <stdint.h>

enum reset_cause { RESET_POWER, RESET_EXTERNAL, RESET_BROWN_OUT, RESET_WATCHDOG };

/* Bring the chip into its state: clock undivided, line at rest, watchdog on. Says why the chip has started. */
enum reset_cause hal_start(void);

/* Whether the trigger is there, as the pin says it at this moment. */
bool hal_trigger(void);

void hal_led(bool lit);

/* Let the watchdog know that all is well. */
void hal_kick(void);

/* Sleep until something happens; gives the ticks that went by. A light sleep ends with the next tick. A deep one
 * stops all clocks, and ends when the trigger's pin changes or the watchdog asks. Where the trigger is no longer as
 * it was seen, there is no sleep at all: a change in between must not be slept over. */
uint8_t hal_sleep(bool deep, bool seen);

/* Between these two nothing interrupts: the line is timed by counting cycles. */
void hal_quiet_begins(void);
void hal_quiet_ends(void);

/* Put out CELL_COUNT cells, lowest bit first, each for BIT_CYCLES. It returns as soon as the cell behind them, the
 * stop bit, begins: an echo may begin in the middle of it. */
void hal_send(uint16_t cells);

/* Wait for the echo to begin, so many ticks at most; false where it does not. */
bool hal_echo_begins(uint16_t ticks);

/* Read CELL_COUNT cells and the stop bit of an echo that has just begun, each in its middle. */
uint16_t hal_receive(void);

/* Wait so many tenths of a millisecond, never less. */
void hal_pause(uint32_t tenths);

#endif
