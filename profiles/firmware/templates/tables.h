/* What is said on the line. The bytes are in tables.c and stay in flash. */
#ifndef TABLES_H
#define TABLES_H

#include <stdint.h>

struct pause {
    uint16_t before; /* the byte that it stands before, counted from 0 */
    uint32_t tenths; /* idle line, in tenths of a millisecond */
};

struct message {
    const uint8_t *bytes;       /* in flash */
    const struct pause *pauses; /* in flash, in their order */
    uint16_t length;
    uint16_t pause_count;
};

extern const struct message message_on, message_off;

#endif
