/* What the trigger's level asks for: debounced, delayed, and never of its own accord. */
#ifndef TRIGGER_H
#define TRIGGER_H

#include <stdbool.h>
#include <stdint.h>

enum order { ORDER_NONE, ORDER_ON, ORDER_OFF };

struct trigger {
    bool seen;       /* the level at the last look */
    bool steady;     /* the level that has stayed long enough */
    bool said;       /* the level that was last told to the line, or taken for told */
    bool settled;    /* false until the level was steady for the first time after a start */
    uint16_t bounce; /* ticks until `seen` counts as steady */
    uint32_t delay;  /* ticks until what is steady is told */
    uint32_t hold;   /* ticks in which nothing is told, since the last message */
};

void trigger_start(struct trigger *trigger, bool level);

/* Look at the level after some ticks: what is to be told now. Once told, call trigger_told. */
enum order trigger_step(struct trigger *trigger, bool level, uint8_t ticks);

/* A message has gone out; `on` says which. */
void trigger_told(struct trigger *trigger, bool on);

/* Whether nothing is left to be timed. */
bool trigger_rests(const struct trigger *trigger);

#endif
