/* The serial line, outwards only: a queue that an interrupt empties. Nothing ever waits for it. */
#ifndef SERIAL_H
#define SERIAL_H

#include <stdbool.h>
#include <stdint.h>

#ifndef SERIAL_QUEUE
#define SERIAL_QUEUE 64 /* a power of two, at most 128 */
#endif

/* For serial_start, at double speed; and whether a receiver can follow what the clock makes of `baud`. */
#define SERIAL_DIVIDER(baud) ((F_CPU + 4UL * (baud)) / (8UL * (baud)) - 1)
#define SERIAL_MEETS(baud) (SERIAL_DIVIDER(baud) < 4096 && F_CPU < 1.025 * 8 * (baud) * (SERIAL_DIVIDER(baud) + 1) \
                            && F_CPU > 0.975 * 8 * (baud) * (SERIAL_DIVIDER(baud) + 1))

void serial_start(uint16_t divider);

/* Queue all bytes, or none of them and return false. */
bool serial_put(const void *bytes, uint8_t size);

/* Whether all has left the controller. */
bool serial_is_idle(void);

#endif
