/* The sample rate, in Hz: the exported one, or the logger's own (see the Makefile). */
#ifndef RATE_H
#define RATE_H

#ifdef LOGGER_FS_HZ
#define RATE_HZ LOGGER_FS_HZ
#else
#include "../tapsig_numbers.h"
#define RATE_HZ TAPSIG_FS_HZ
#endif

#endif
