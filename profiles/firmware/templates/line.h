/* Messages onto the line, frame by frame, and their echo. */
#ifndef LINE_H
#define LINE_H

#include <stdint.h>

#include "tables.h"

/* What broke; the number is how often the lamp blinks. */
enum fault {
    FAULT_NONE = 0,
    FAULT_WATCHDOG = 1,     /* the chip was reset because the program hung */
    FAULT_NO_ECHO = 2,      /* not even the first frame came back: the ring is open */
    FAULT_ECHO_STOPPED = 3, /* the first frames came back, then no more: a unit has stopped */
    FAULT_ECHO_WRONG = 4,   /* something else came back: noise, or another unit speaks */
    FAULT_LINE_BUSY = 5     /* the line was never at rest: nothing was sent */
};

/* Send a message; with an echo input each frame only when the one before it has come back right. */
enum fault line_say(const struct message *message);

#endif
