#include "version.h"

#ifndef TAPSIG_SOURCES
#define TAPSIG_SOURCES "unknown"
#endif

const char *tapsig_sources(void)
{
    return TAPSIG_SOURCES;
}
