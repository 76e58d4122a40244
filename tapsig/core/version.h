/* Which sources a compiled library was made from. */
#ifndef TAPSIG_VERSION_H
#define TAPSIG_VERSION_H

/* Digest of the C files, or "unknown" where the build did not give it. */
const char *tapsig_sources(void);

#endif
