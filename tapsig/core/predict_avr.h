/* The two loops of predict.c for an 8-bit controller: its compiler calls a function for a product of 16 x 16 -> 32 bits,
 * and keeps no sum of five bytes in registers. The same numbers, to the bit, in half the time.
 *
 * A weight has 24 bits here (within +-8 in Q20): the fourth byte of its place is left alone.
 */
#ifndef TAPSIG_PREDICT_AVR_H
#define TAPSIG_PREDICT_AVR_H

#include <stdint.h>

/* product = r19:r18 x r21:r20, signed */
#define TAPSIG_AVR_PRODUCT \
    "muls r19, r21\n\tmovw %C[product], r0\n\tmul r18, r20\n\tmovw %A[product], r0\n\t" \
    "mulsu r19, r20\n\tsbc %D[product], %[zero]\n\t" \
    "add %B[product], r0\n\tadc %C[product], r1\n\tadc %D[product], %[zero]\n\t" \
    "mulsu r21, r18\n\tsbc %D[product], %[zero]\n\t" \
    "add %B[product], r0\n\tadc %C[product], r1\n\tadc %D[product], %[zero]\n\t"

/* sign = 0 or 255 */
#define TAPSIG_AVR_SIGN(byte) "clr %[sign]\n\tsbrc " byte ", 7\n\tcom %[sign]\n\t"

/* Returns bits 16 to 39 of the sum of weight x history, without the lowest byte of the weights; `low`: bits 0 to 15. */
static int32_t sum_products(const int32_t *weights, const int16_t *history, uint16_t *low)
{
    uint8_t sum0 = 0, sum1 = 0, sum2 = 0, sum3 = 0, sum4 = 0, left = TAPSIG_ORDER, sign;
    const uint8_t zero = 0;
    uint32_t product;
    __asm__ volatile("1:\tldd r18, Z+1\n\tldd r19, Z+2\n\tadiw r30, 4\n\tld r20, X+\n\tld r21, X+\n\t" TAPSIG_AVR_PRODUCT
            TAPSIG_AVR_SIGN("%D[product]")
            "add %[sum0], %A[product]\n\tadc %[sum1], %B[product]\n\tadc %[sum2], %C[product]\n\t"
            "adc %[sum3], %D[product]\n\tadc %[sum4], %[sign]\n\tdec %[left]\n\tbrne 1b\n\tclr __zero_reg__"
            : [sum0] "+&r"(sum0), [sum1] "+&r"(sum1), [sum2] "+&r"(sum2), [sum3] "+&r"(sum3), [sum4] "+&r"(sum4),
              [left] "+&r"(left), [sign] "=&r"(sign), [product] "=&r"(product), "+&z"(weights), "+&x"(history)
            : [zero] "r"(zero)
            : "r18", "r19", "r20", "r21", "memory");
    *low = (uint16_t)(sum0 | (uint16_t)sum1 << 8);
    return (int32_t)(sum2 | (uint32_t)sum3 << 8 | (uint32_t)(int32_t)(int8_t)sum4 << 16);
}

/* weight += product >> 8 x bytes, saturated to 24 bits, for all of them. `add` adds to r20:r19:r18 and branches to 2
 * where 24 bits hold the sum; otherwise the sum has the sign of the product. */
#define TAPSIG_AVR_ADAPT(add) \
    __asm__ volatile("1:\tmovw r18, %[gain]\n\tld r20, X+\n\tld r21, X+\n\t" TAPSIG_AVR_PRODUCT \
            "ld r18, Z\n\tldd r19, Z+1\n\tldd r20, Z+2\n\t" add \
            "ldi r18, 255\n\tldi r19, 255\n\tldi r20, 127\n\tsbrs %D[product], 7\n\trjmp 2f\n\t" \
            "com r18\n\tcom r19\n\tcom r20\n" \
            "2:\tst Z, r18\n\tstd Z+1, r19\n\tstd Z+2, r20\n\tadiw r30, 4\n\tdec %[left]\n\tbrne 1b\n\t" \
            "clr __zero_reg__" \
            : [left] "+&r"(left), [sign] "=&r"(sign), [product] "=&r"(product), "+&z"(weights), "+&x"(history) \
            : [zero] "r"(zero), [gain] "r"(gain) \
            : "r18", "r19", "r20", "r21", "memory")

static void add_products(int32_t *weights, const int16_t *history, int16_t gain, uint8_t bytes)
{
    uint8_t left = TAPSIG_ORDER, sign;
    const uint8_t zero = 0;
    uint32_t product;
    if (bytes == 0) {
        TAPSIG_AVR_ADAPT("clr r21\n\tsbrc r20, 7\n\tcom r21\n\t"
                         "add r18, %A[product]\n\tadc r19, %B[product]\n\tadc r20, %C[product]\n\tadc r21, %D[product]\n\t"
                         TAPSIG_AVR_SIGN("r20") "cp r21, %[sign]\n\tbreq 2f\n\t");
    } else if (bytes == 1) {
        TAPSIG_AVR_ADAPT("add r18, %B[product]\n\tadc r19, %C[product]\n\tadc r20, %D[product]\n\tbrvc 2f\n\t");
    } else {
        TAPSIG_AVR_ADAPT(TAPSIG_AVR_SIGN("%D[product]")
                         "add r18, %C[product]\n\tadc r19, %D[product]\n\tadc r20, %[sign]\n\tbrvc 2f\n\t");
    }
}

#endif
