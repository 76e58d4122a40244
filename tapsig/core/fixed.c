#include "fixed.h"

#include <limits.h>

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
    uint8_t octave = 31;
    if (power < 2) {
        return 0;
    }
    while (!(power & UINT32_C(0xFF000000))) {
        power <<= 8;
        octave = (uint8_t)(octave - 8);
    }
    uint16_t top = (uint16_t)(power >> 16); /* shifted in three steps: a single bit at a time takes twice as long */
    if (!(top & 0xF000)) {
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
    return (uint8_t)((octave << 3) | ((uint8_t)(top >> 8) >> 4 & 7));
}

#endif
