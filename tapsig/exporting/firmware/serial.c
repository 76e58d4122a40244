#include "serial.h"

#include <avr/interrupt.h>
#include <avr/io.h>

_Static_assert(SERIAL_QUEUE > 0 && SERIAL_QUEUE <= 128 && (SERIAL_QUEUE & (SERIAL_QUEUE - 1)) == 0,
               "SERIAL_QUEUE must be a power of two, at most 128");

static volatile uint8_t queue[SERIAL_QUEUE];
static volatile uint8_t written, taken; /* both run on and wrap */
static bool used;

ISR(USART_UDRE_vect)
{
    const uint8_t at = taken, next = (uint8_t)(at + 1);
    UCSR0A = _BV(U2X0) | _BV(TXC0); /* cleared by a one */
    UDR0 = queue[at & (SERIAL_QUEUE - 1)];
    taken = next;
    if (next == written) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    }
}

void serial_start(uint16_t divider)
{
    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UBRR0 = divider;
    UCSR0B = _BV(TXEN0); /* the receiver stays off: what comes in is not listened to */
}

bool serial_put(const void *bytes, uint8_t size)
{
    const uint8_t *byte = bytes;
    if (size > (uint8_t)(SERIAL_QUEUE - (uint8_t)(written - taken))) {
        return false;
    }
    for (uint8_t i = 0; i < size; i++) {
        queue[(uint8_t)(written + i) & (SERIAL_QUEUE - 1)] = byte[i];
    }
    used = true;
    cli();
    written = (uint8_t)(written + size);
    UCSR0B |= _BV(UDRIE0);
    sei();
    return true;
}

bool serial_is_idle(void)
{
    return !used || (taken == written && (UCSR0A & _BV(TXC0)));
}
