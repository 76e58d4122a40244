/* Fixed-point arithmetic that both a desktop and an 8-bit controller do alike. */
#ifndef TAPSIG_FIXED_H
#define TAPSIG_FIXED_H

#include <stdint.h>

/* C99 leaves the right shift of a negative number to the compiler; all that are in use shift arithmetically. */
typedef char tapsig_shifts_are_arithmetic[(INT32_C(-2) >> 1) == INT32_C(-1) ? 1 : -1];

static inline int16_t tapsig_saturate16(int32_t value)
{
    return (int16_t)(value > INT16_MAX ? INT16_MAX : value < -INT16_MAX ? -INT16_MAX : value);
}

/* 16 x 16 -> 32 bits; `int` has 16 bits on small controllers, so the operands are widened first. */
static inline int32_t tapsig_product(int16_t one, int16_t other)
{
#if defined(__AVR_HAVE_MUL__)
    /* The compiler calls a function for this, which takes twice as long. */
    int32_t product;
    uint8_t zero;
    __asm__("clr %1\n\t"
            "muls %B2, %B3\n\tmovw %C0, r0\n\t"
            "mul %A2, %A3\n\tmovw %A0, r0\n\t"
            "mulsu %B2, %A3\n\tsbc %D0, %1\n\tadd %B0, r0\n\tadc %C0, r1\n\tadc %D0, %1\n\t"
            "mulsu %B3, %A2\n\tsbc %D0, %1\n\tadd %B0, r0\n\tadc %C0, r1\n\tadc %D0, %1\n\t"
            "clr __zero_reg__"
            : "=&r"(product), "=&r"(zero)
            : "a"(one), "a"(other));
    return product;
#else
    return (int32_t)one * other;
#endif
}

static inline uint32_t tapsig_square(int16_t value)
{
    return (uint32_t)tapsig_product(value, value);
}

static inline uint32_t tapsig_add_saturated(uint32_t one, uint32_t other)
{
    const uint32_t sum = one + other;
    return sum < one ? UINT32_MAX : sum;
}

/* 16 (octave + log2 of top / 32768), rounded down and taken as linear between octaves; `top` is 256 or more. */
uint16_t tapsig_normalise(uint16_t top, uint8_t octave);

/* A power as a level: eight steps an octave, 0.376 dB each; 0 for a power of 0 or 1, at most 255. The three bits below
 * the leading one stand for the fraction: log2(1 + m) is taken as m, at most 0.69 steps too low. */
uint8_t tapsig_level(uint32_t power);

#endif
