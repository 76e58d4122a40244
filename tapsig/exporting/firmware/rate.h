/* The sample rate, in Hz: the exported one, or the logger's own (see the Makefile). */
#ifndef RATE_H
#define RATE_H

#ifdef LOGGER_FS_HZ
#define RATE_HZ LOGGER_FS_HZ
#else
#include "../tapsig_numbers.h"
#define RATE_HZ TAPSIG_FS_HZ
#endif

/* What timer 1 makes of it: it divides by whole numbers. */
#define TIMER_CLOCK (F_CPU / 8)
#define TIMER_TICKS ((uint32_t)(TIMER_CLOCK / RATE_HZ + 0.5))
#define TIMER_RATE_HZ ((double)TIMER_CLOCK / TIMER_TICKS)

#endif
