/* A trigger comes, a message goes: the whole of the box. See README.md for its pins, fuses and cautions. */
#include "config.h"

#include "hal.h"
#include "line.h"
#include "tables.h"
#include "trigger.h"

/* The lamp: lit while the line is spoken to; after a fault it blinks the fault's number, until the next message. */
struct lamp {
    enum fault fault;
    uint16_t left;  /* ticks until the lamp changes */
    uint8_t change; /* how often it has changed in this round */
};

static void lamp_show(struct lamp *lamp, enum fault fault)
{
    lamp->fault = fault;
    lamp->left = BLINK_TICKS;
    lamp->change = 0;
    hal_led(false);
}

static void lamp_step(struct lamp *lamp, uint8_t ticks)
{
    if (lamp->fault == FAULT_NONE)
        return;
    if (lamp->left > ticks) {
        lamp->left -= ticks;
        return;
    }
    lamp->left = BLINK_TICKS;
    lamp->change++;
    if (lamp->change == 2 * lamp->fault) {
        lamp->change = 0;
        lamp->left = 5 * BLINK_TICKS;
    }
    hal_led(lamp->change & 1);
}

int main(void)
{
    struct trigger trigger;
    struct lamp lamp;
    enum reset_cause cause = hal_start();

    lamp_show(&lamp, cause == RESET_WATCHDOG ? FAULT_WATCHDOG : FAULT_NONE);
    trigger_start(&trigger, hal_trigger());
    for (;;) {
        uint8_t ticks = hal_sleep(trigger_rests(&trigger) && lamp.fault == FAULT_NONE, trigger.seen);
        enum order order = trigger_step(&trigger, hal_trigger(), ticks);

        lamp_step(&lamp, ticks);
        if (order == ORDER_NONE)
            continue;
        hal_led(true);
        lamp_show(&lamp, line_say(order == ORDER_ON ? &message_on : &message_off));
        trigger_told(&trigger, order == ORDER_ON);
    }
}
