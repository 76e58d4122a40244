/* The loop of predict.c for an 8-bit controller: its compiler calls a function for a product of 16 x 16 -> 32 bits, and
 * keeps no sum of five bytes in registers. The same numbers, to the bit, in half the time.
 *
 * A weight has 24 bits here (within +-8 in Q20): the fourth byte of its place is left alone.
 */
#ifndef TAPSIG_PREDICT_AVR_H
#define TAPSIG_PREDICT_AVR_H

#include <stdint.h>

/* product = one x other, signed; each is named by its two registers, of r16 to r23 */
#define TAPSIG_AVR_PRODUCT(one_low, one_high, other_low, other_high) \
    "muls " one_high ", " other_high "\n\tmovw %C[product], r0\n\t" \
    "mul " one_low ", " other_low "\n\tmovw %A[product], r0\n\t" \
    "mulsu " one_high ", " other_low "\n\tsbc %D[product], %[zero]\n\t" \
    "add %B[product], r0\n\tadc %C[product], r1\n\tadc %D[product], %[zero]\n\t" \
    "mulsu " other_high ", " one_low "\n\tsbc %D[product], %[zero]\n\t" \
    "add %B[product], r0\n\tadc %C[product], r1\n\tadc %D[product], %[zero]\n\t"

/* sign = 0 or 255 */
#define TAPSIG_AVR_SIGN(byte) "clr %[sign]\n\tsbrc " byte ", 7\n\tcom %[sign]\n\t"

/* The weight is in r17:r16:r24, the gain in r19:r18, history[i] in r23:r22 and history[i + 1] in r21:r20. `add` adds to
 * the weight and branches to 4 where 24 bits do not hold the sum, which then has the sign of the product. */
#define TAPSIG_AVR_LOOP(add) \
    __asm__ volatile("movw r18, %[gain]\n\tld r22, X+\n\tld r23, X+\n" \
            "1:\tld r20, X+\n\tld r21, X+\n\t" TAPSIG_AVR_PRODUCT("r18", "r19", "r20", "r21") \
            "ld r24, Z\n\tldd r16, Z+1\n\tldd r17, Z+2\n\t" add \
            "2:\tst Z, r24\n\tstd Z+1, r16\n\tstd Z+2, r17\n\tadiw r30, 4\n\t" \
            TAPSIG_AVR_PRODUCT("r16", "r17", "r22", "r23") TAPSIG_AVR_SIGN("%D[product]") \
            "add %[sum0], %A[product]\n\tadc %[sum1], %B[product]\n\tadc %[sum2], %C[product]\n\t" \
            "adc %[sum3], %D[product]\n\tadc %[sum4], %[sign]\n\t" \
            "movw r22, r20\n\tdec %[left]\n\tbreq 3f\n\trjmp 1b\n" \
            "4:\tldi r24, 255\n\tldi r16, 255\n\tldi r17, 127\n\tsbrs %D[product], 7\n\trjmp 2b\n\t" \
            "com r24\n\tcom r16\n\tcom r17\n\trjmp 2b\n" \
            "3:\tclr __zero_reg__" \
            : [sum0] "+&r"(sum0), [sum1] "+&r"(sum1), [sum2] "+&r"(sum2), [sum3] "+&r"(sum3), [sum4] "+&r"(sum4), \
              [left] "+&r"(left), [sign] "=&r"(sign), [product] "=&r"(product), "+&z"(weights), "+&x"(history) \
            : [zero] "r"(zero), [gain] "r"(gain) \
            : "r16", "r17", "r18", "r19", "r20", "r21", "r22", "r23", "r24", "r25", "memory")

/* Returns bits 16 to 39 of the sum. */
static int32_t adapt_and_sum(int32_t *weights, const int16_t *history, uint8_t order, int16_t gain, uint8_t bytes,
                             uint16_t *low)
{
    uint8_t sum0 = 0, sum1 = 0, sum2 = 0, sum3 = 0, sum4 = 0, left = order, sign;
    const uint8_t zero = 0;
    uint32_t product;
    if (bytes == 0) { /* r25: the weight's fourth byte */
        TAPSIG_AVR_LOOP("clr r25\n\tsbrc r17, 7\n\tcom r25\n\t"
                        "add r24, %A[product]\n\tadc r16, %B[product]\n\tadc r17, %C[product]\n\tadc r25, %D[product]\n\t"
                        TAPSIG_AVR_SIGN("r17") "cp r25, %[sign]\n\tbrne 4f\n");
    } else if (bytes == 1) {
        TAPSIG_AVR_LOOP("add r24, %B[product]\n\tadc r16, %C[product]\n\tadc r17, %D[product]\n\tbrvs 4f\n");
    } else {
        TAPSIG_AVR_LOOP(TAPSIG_AVR_SIGN("%D[product]")
                        "add r24, %C[product]\n\tadc r16, %D[product]\n\tadc r17, %[sign]\n\tbrvs 4f\n");
    }
    *low = (uint16_t)(sum0 | (uint16_t)sum1 << 8);
    return (int32_t)(sum2 | (uint32_t)sum3 << 8 | (uint32_t)(int32_t)(int8_t)sum4 << 16);
}

#endif
