#include "predict.h"

#include <stdbool.h>

#include "fixed.h"

#if defined(__AVR_HAVE_MUL__)
#include "predict_avr.h"
#else

static int32_t limit_weight(int32_t weight)
{
    return weight >= TAPSIG_WEIGHT_LIMIT  ? TAPSIG_WEIGHT_LIMIT - 1
           : weight < -TAPSIG_WEIGHT_LIMIT ? -TAPSIG_WEIGHT_LIMIT
                                           : weight;
}

/* weight += gain x history[i + 1] >> 8 x bytes, limited. Then returns bits 16 and up of the sum of weight x history[i],
 * without the lowest byte of the weights; `low`: bits 0 to 15. Products have 31 bits; their halves are summed apart, so
 * that 32 bits hold the sum. */
static inline int32_t adapt_and_sum(int32_t *weights, const int16_t *history, uint8_t order, int16_t gain, uint8_t bytes,
                                    uint16_t *low)
{
    int32_t high = 0;
    uint32_t lower = 0;
    for (uint8_t i = 0; i < order; i++) {
        const int32_t change = tapsig_product(gain, history[i + 1]);
        weights[i] = limit_weight(weights[i] + (bytes == 0 ? change : bytes == 1 ? change >> 8 : change >> 16));
        const int32_t product = tapsig_product((int16_t)(weights[i] >> 8), history[i]);
        high += product >> 16;
        lower += (uint16_t)product;
    }
    *low = (uint16_t)lower;
    return high + (int32_t)(lower >> 16);
}

#endif

void tapsig_predictor_init(tapsig_predictor *predictor)
{
    *predictor = (tapsig_predictor){0};
}

/* Sum of weight x history, Q12. */
static int16_t predict(tapsig_predictor *predictor, const int16_t *history, uint8_t order)
{
    uint16_t low;
    int32_t *weights = predictor->weights_q20;
#ifdef __AVR__
    const int32_t high = adapt_and_sum(weights, history, order, predictor->gain, predictor->bytes, &low);
#else /* a constant order makes the loop of the usual one twice as fast */
    const int32_t high = order == TAPSIG_ORDER
                             ? adapt_and_sum(weights, history, TAPSIG_ORDER, predictor->gain, predictor->bytes, &low)
                             : adapt_and_sum(weights, history, order, predictor->gain, predictor->bytes, &low);
#endif
    const int32_t limited = high > 2047 ? 2047 : high < -2048 ? -2048 : high;
    return tapsig_saturate16(limited * 16 + (int32_t)(low >> 12));
}

/* weight += step x error x history / power. In Q20, with the step 2^-5 and the power taken as 2^(k + 4), or half of it,
 * that is error x history >> (k - 11): by whole bytes after the product, the rest on the error before it. The loop that
 * adds it is that of the next prediction: together they take a quarter less. */
static void find_gain(tapsig_predictor *predictor, int16_t error)
{
    const int8_t shift = (int8_t)((tapsig_level(predictor->power + TAPSIG_MIN_POWER) >> 3) + 1 - 11);
    const int8_t bytes = (int8_t)(shift < 4 ? 0 : shift < 12 ? 1 : 2);
    const int8_t rest = (int8_t)(shift - 8 * bytes);
    predictor->bytes = (uint8_t)bytes;
    predictor->gain =
        (int16_t)(rest >= 0 ? error >> rest : tapsig_saturate16((int32_t)error * (INT32_C(1) << -rest)));
}

int16_t tapsig_predict(tapsig_predictor *predictor, int16_t value, uint8_t order)
{
    int16_t *history = predictor->history + predictor->newest;
    const int16_t error = tapsig_saturate16((int32_t)value - predict(predictor, history, order));
    const int16_t oldest = history[order - 1];
    find_gain(predictor, error);
    predictor->power += (tapsig_square(value) >> 4) - (tapsig_square(oldest) >> 4);
    predictor->newest = (uint8_t)(predictor->newest == 0 ? TAPSIG_HISTORY - 1 : predictor->newest - 1);
    predictor->history[predictor->newest] = value;
    predictor->history[predictor->newest + TAPSIG_HISTORY] = value;
    return error;
}
