/* The serial line: two rings, and nothing that waits. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "avr.h"
#include "board.h"
#include "hardware.h"

#define RX_SIZE 256 /* powers of two */
#define TX_SIZE 256

static volatile uint8_t rx[RX_SIZE], tx[TX_SIZE];
static volatile uint8_t rx_in, rx_out, tx_in, tx_out;
static volatile uint8_t lost;

ISR(USART_RX_vect)
{
	uint8_t errors = UCSR0A & ((1 << FE0) | (1 << DOR0));
	uint8_t byte = UDR0;
	uint8_t in = rx_in, next = (uint8_t)((in + 1) % RX_SIZE);
	if (errors || next == rx_out)
		lost++;
	if (next == rx_out)
		return;
	rx[in] = byte;
	rx_in = next;
}

ISR(USART_UDRE_vect)
{
	uint8_t out = tx_out;
	UDR0 = tx[out];
	tx_out = ++out;
	if (out == tx_in)
		UCSR0B &= (uint8_t)~(1 << UDRIE0);
}

void uart_start(void)
{
	UBRR0 = (F_CPU + 4 * BAUD) / (8 * BAUD) - 1;
	UCSR0A = 1 << U2X0;
	UCSR0C = (1 << UCSZ01) | (1 << UCSZ00);
	UCSR0B = (1 << RXEN0) | (1 << TXEN0) | (1 << RXCIE0);
}

bool uart_byte(uint8_t *byte)
{
	uint8_t out = rx_out;
	if (out == rx_in)
		return false;
	*byte = rx[out];
	rx_out = (uint8_t)((out + 1) % RX_SIZE);
	return true;
}

uint8_t uart_lost(void)
{
	return lost;
}

uint8_t uart_room(void)
{
	return (uint8_t)(tx_out - tx_in - 1);
}

void uart_send(const uint8_t *p, uint8_t n)
{
	uint8_t in = tx_in;
	while (n--)
		tx[in++] = *p++;
	tx_in = in;
	UCSR0B |= 1 << UDRIE0;
}
