#include "config.h"

#include "trigger.h"

static uint32_t less(uint32_t count, uint8_t ticks)
{
    return count > ticks ? count - ticks : 0;
}

void trigger_start(struct trigger *trigger, bool level)
{
    trigger->seen = trigger->steady = trigger->said = level;
    trigger->settled = false;
    trigger->bounce = DEBOUNCE_TICKS;
    trigger->delay = 0;
    trigger->hold = HOLD_START_TICKS;
}

/* The first steady level after a start, whatever has started the chip. */
static void settle(struct trigger *trigger)
{
    trigger->settled = true;
#if AT_START == START_FOLLOW
    trigger->said = !trigger->steady;
#elif AT_START == START_OFF
    trigger->said = true; /* so that only "off" can be left to say */
#else
    trigger->said = trigger->steady; /* nothing is said until the trigger changes */
#endif
}

enum order trigger_step(struct trigger *trigger, bool level, uint8_t ticks)
{
    trigger->hold = less(trigger->hold, ticks);
    if (level != trigger->seen) {
        trigger->seen = level;
        trigger->bounce = DEBOUNCE_TICKS;
    } else {
        trigger->bounce = (uint16_t)less(trigger->bounce, ticks);
    }
    if (trigger->bounce == 0 && (trigger->seen != trigger->steady || !trigger->settled)) {
        trigger->steady = trigger->seen;
        trigger->delay = trigger->steady ? DELAY_ON_TICKS : DELAY_OFF_TICKS;
        if (!trigger->settled)
            settle(trigger);
        ticks = 0;
    }
    if (!trigger->settled || trigger->steady == trigger->said)
        return ORDER_NONE;
    trigger->delay = less(trigger->delay, ticks);
    if (trigger->delay || trigger->hold || trigger->bounce)
        return ORDER_NONE;
    return trigger->steady ? ORDER_ON : ORDER_OFF;
}

void trigger_told(struct trigger *trigger, bool on)
{
    trigger->said = on;
    trigger->hold = on ? HOLD_ON_TICKS : HOLD_OFF_TICKS;
}

bool trigger_rests(const struct trigger *trigger)
{
    return trigger->settled && trigger->bounce == 0 && trigger->hold == 0 && trigger->steady == trigger->said;
}
