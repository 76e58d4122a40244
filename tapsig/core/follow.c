#include "follow.h"

#include "fixed.h"

uint32_t tapsig_follow(uint32_t mean_q16, int16_t departure, const tapsig_share *share)
{
    /* Q15, at most 2^30; in Q16 twice that. The mean stays between the samples: it moves by a part of the departure. */
    const int32_t product = tapsig_product(departure, (int16_t)share->share_q15);
    if (share->shift == 0) {
        return mean_q16 + (uint32_t)(product * 2);
    }
    const int32_t half = share->shift > 1 ? INT32_C(1) << (share->shift - 2) : 0;
    return mean_q16 + (uint32_t)((product + half) >> (share->shift - 1));
}
