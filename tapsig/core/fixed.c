#include "fixed.h"

#include <limits.h>

uint16_t tapsig_normalise(uint16_t top, uint8_t octave)
{
    if (!(top & 0xF000)) { /* in three steps: a single bit at a time takes twice as long */
        top = (uint16_t)(top << 4);
        octave = (uint8_t)(octave - 4);
    }
    if (!(top & 0xC000)) {
        top = (uint16_t)(top << 2);
        octave = (uint8_t)(octave - 2);
    }
    if (!(top & 0x8000)) {
        top = (uint16_t)(top << 1);
        octave--;
    }
    return (uint16_t)((octave << 4) | ((uint8_t)(top >> 8) >> 3 & 15));
}

#if defined(__GNUC__) && UINT_MAX > 0xFFFF /* the processor counts leading zeros */

uint8_t tapsig_level(uint32_t power)
{
    if (power < 2) {
        return 0;
    }
    const uint32_t zeros = (uint32_t)__builtin_clz(power);
    return (uint8_t)(((31 - zeros) << 3) | (((power << zeros) >> 28) & 7));
}

#else

uint8_t tapsig_level(uint32_t power)
{
    uint8_t octave;
    uint16_t top; /* from the leading byte on */
    if ((uint8_t)(power >> 24)) {
        octave = 31;
        top = (uint16_t)(power >> 16);
    } else if ((uint8_t)(power >> 16)) {
        octave = 23;
        top = (uint16_t)(power >> 8);
    } else if ((uint8_t)(power >> 8)) {
        octave = 15;
        top = (uint16_t)power;
    } else if ((uint8_t)power > 1) {
        octave = 7;
        top = (uint16_t)(power << 8);
    } else {
        return 0;
    }
    return (uint8_t)(tapsig_normalise(top, octave) >> 1);
}

#endif
