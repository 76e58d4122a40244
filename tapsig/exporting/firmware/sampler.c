#include "sampler.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <util/atomic.h>

#include "board.h"
#include "rate.h"

#define CONVERT (_BV(ADEN) | _BV(ADSC) | BOARD_ADC_CLOCK)

_Static_assert(TIMER_TICKS <= 65536 && TIMER_TICKS * RATE_HZ > TIMER_CLOCK * 0.999
                   && TIMER_TICKS * RATE_HZ < TIMER_CLOCK * 1.001,
               "the timer divides by whole numbers, and misses this rate by over 0.1 %");
_Static_assert(RATE_HZ <= 8000, "a conversion takes 104 us: 13 cycles of 125 kHz");

_Static_assert(SAMPLER_RING > 0 && SAMPLER_RING <= 128 && (SAMPLER_RING & (SAMPLER_RING - 1)) == 0,
               "SAMPLER_RING must be a power of two, at most 128");

static volatile uint16_t ring[SAMPLER_RING];
static volatile uint8_t written, taken; /* both run on and wrap */
static volatile uint16_t lost;

ISR(TIMER1_COMPA_vect)
{
    const uint16_t count = ADC;
    ADCSRA = CONVERT;
    if ((uint8_t)(written - taken) < SAMPLER_RING) {
        ring[written & (SAMPLER_RING - 1)] = count;
        written++;
    } else {
        lost++;
    }
}

void sampler_start(void)
{
    written = taken = 0;
    lost = 0;
    ADMUX = _BV(REFS0) | BOARD_ADC_CHANNEL;
    ADCSRA = CONVERT;
    loop_until_bit_is_clear(ADCSRA, ADSC); /* the first conversion takes 25 cycles, a period at 5 kHz: thrown away */
    OCR1A = (uint16_t)(TIMER_TICKS - 1);
    TCCR1B = _BV(WGM12) | _BV(CS11); /* TCCR1A stays 0, as a reset leaves it */
    TCNT1 = 0;
    TIFR1 = _BV(OCF1A);
    TIMSK1 = _BV(OCIE1A);
    ADCSRA = CONVERT; /* as the interrupt starts the ones that follow, a period before the first of them */
}

void sampler_stop(void)
{
    TIMSK1 = 0;
    TCCR1B = 0;
    ADCSRA = 0;
}

bool sampler_take(uint16_t *count)
{
    const uint8_t at = taken;
    if (at == written) {
        return false;
    }
    *count = ring[at & (SAMPLER_RING - 1)]; /* the interrupt does not write here before `taken` moves on */
    taken = (uint8_t)(at + 1);
    return true;
}

void sampler_wait(void)
{
    set_sleep_mode(SLEEP_MODE_IDLE); /* the timer and the serial line go on */
    cli();
    if (taken == written) {
        sleep_enable();
        sei(); /* the instruction after it is always executed: no interrupt comes in between */
        sleep_cpu();
        sleep_disable();
    }
    sei();
}

uint16_t sampler_count_lost(void)
{
    uint16_t count = 0;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        count = lost;
        lost = 0;
    }
    return count;
}
