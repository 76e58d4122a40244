/* All that belongs to one board: pins, rates, times. Change it here, and nowhere else.
 *
 * Written for the 8-bit class with 32 kB of flash, 2 kB of RAM, a 10-bit converter and a 16-bit timer 1, by the register
 * names of AVR libc. The Makefile says which controller and clock.
 */
#ifndef BOARD_H
#define BOARD_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#ifndef BOARD_BAUD
#define BOARD_BAUD (F_CPU < 12000000 ? 9600 : 38400) /* of the event lines; 0.2 % off at 8 and 16 MHz */
#endif
#ifndef LOGGER_BAUD
#define LOGGER_BAUD 115200 /* of the logger; 2.1 % off at 16 MHz. At 8 MHz take 38400, or 250000 */
#endif
#define LOGGER_FULL_SCALE_MV 5000 /* the supply */
#define BOARD_RELEASE_MS 250
#define BOARD_REPORTS_TAPS 1 /* 0 once it is fitted: who reads the taps reads the code */

/* After so long without a tap it sleeps, and hears nothing until its wake pin changes; without a comparator on that pin
 * it must not sleep: 0. The tap that wakes it is no part of an entry. */
#ifndef BOARD_SLEEPS
#define BOARD_SLEEPS 1
#endif
#ifndef BOARD_AWAKE_S
#define BOARD_AWAKE_S 60
#endif

#define BOARD_WAKE_MS 100 /* of counts are passed over then: the blow that woke it has to ring down */

/* The converter: channel 0, the supply as reference, its clock 125 kHz (the data sheet asks for 50 to 200 kHz). */
#define BOARD_ADC_CHANNEL 0
#if F_CPU == 16000000
#define BOARD_ADC_CLOCK (_BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0))
#elif F_CPU == 8000000
#define BOARD_ADC_CLOCK (_BV(ADPS2) | _BV(ADPS1))
#else
#error "F_CPU must be 16000000 or 8000000; for another clock, choose BOARD_ADC_CLOCK"
#endif

/* PB1: the release. PD4: the comparator that wakes it. PD5: a jumper to ground, closed at a reset, clears failures. */
#define BOARD_WAKE_VECTOR PCINT2_vect

static inline void board_start(void)
{
    PORTB = (uint8_t)~_BV(PORTB1); /* pull-ups keep what is not connected quiet */
    DDRB = _BV(DDB1);
    PORTC = (uint8_t)~_BV(BOARD_ADC_CHANNEL);
    PORTD = (uint8_t)~_BV(PORTD4);
    DIDR0 = _BV(BOARD_ADC_CHANNEL); /* no digital input at half the supply: it would draw current */
    ACSR = _BV(ACD);
    PRR = _BV(PRTWI) | _BV(PRSPI) | _BV(PRTIM0) | _BV(PRTIM2);
}

static inline void board_release(bool on)
{
    if (on) {
        PORTB |= _BV(PORTB1);
    } else {
        PORTB &= (uint8_t)~_BV(PORTB1);
    }
}

static inline bool board_asks_to_clear(void)
{
    return (PIND & _BV(PIND5)) == 0;
}

static inline void board_watch_wake_pin(bool on)
{
    PCIFR = _BV(PCIF2);
    PCMSK2 = _BV(PCINT20);
    PCICR = on ? _BV(PCIE2) : 0;
}

#endif
