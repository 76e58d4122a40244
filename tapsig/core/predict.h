/* Adaptive linear prediction: what a ringing panel does next is predictable, a new blow is not.
 *
 * Normalised least mean squares (NLMS; Nagumo & Noda 1967; Haykin, Adaptive Filter Theory, ch. 6) of order
 * TAPSIG_ORDER at most. The step is divided by the power in the history, rounded up to a power of two: between 1/64 and 1/32.
 */
#ifndef TAPSIG_PREDICT_H
#define TAPSIG_PREDICT_H

#include <stdint.h>

#define TAPSIG_ORDER 16 /* the most */
#define TAPSIG_WEIGHT_LIMIT (INT32_C(8) << 20) /* of a weight, Q20 */
#define TAPSIG_MIN_POWER UINT32_C(64) /* below it the history is noise of the converter */
#define TAPSIG_HISTORY 17 /* one value more than weights, which are adapted when the next value comes */

typedef struct {
    int32_t weights_q20[TAPSIG_ORDER];   /* within +-8; without the last adaptation, which is `gain` */
    int16_t history[2 * TAPSIG_HISTORY]; /* each value twice, so that the last ones always lie in one piece */
    uint32_t power;                      /* sum of (value^2 >> 4) over as many values as there are weights */
    int16_t gain;                        /* still to be added to the weights: gain x history >> 8 x bytes */
    uint8_t bytes;
    uint8_t newest;
} tapsig_predictor;

void tapsig_predictor_init(tapsig_predictor *predictor);

/* The prediction error of `value`; the first `order` weights adapt to it. */
int16_t tapsig_predict(tapsig_predictor *predictor, int16_t value, uint8_t order);

#endif
