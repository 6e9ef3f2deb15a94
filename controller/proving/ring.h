/* A ring of store-and-forward units behind a simulated box. */
#ifndef RING_H
#define RING_H

#include <simavr/sim_avr.h>

struct ring {
    int units;         /* 0 for none */
    double bit_cycles; /* a unit's bit time in cycles of the box's clock; it may have a fraction */
    double hop_bits;   /* from a frame's start to the start of its repetition */
    int cells;         /* of a frame, before its stop bit */
    int idle;          /* the line's level at rest */
    char fault[16];    /* whole, first (so many frames come back), wrong (that frame comes back wrong) */
    int number;
};

/* Join the units to a box. What the last of them says is given to `echo`. */
void ring_join(avr_t *avr, const struct ring *ring, void (*echo)(int level));

/* The box's line has changed. */
void ring_hears(int level);

/* All timers of the simulator were stopped: whatever the units were saying is taken for said. */
void ring_forgets(void);

#endif
