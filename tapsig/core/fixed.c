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
    uint8_t top = (uint8_t)(power >> 24);
    uint8_t below = (uint8_t)(power >> 16);
    while (!(top & 0x80)) {
        top = (uint8_t)((top << 1) | (below >> 7));
        below = (uint8_t)(below << 1);
        octave--;
    }
    return (uint8_t)((octave << 3) | ((top >> 4) & 7));
}

#endif
