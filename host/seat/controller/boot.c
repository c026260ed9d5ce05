/* Why it started, and a number for this start that no start before had. */
#include <avr/eeprom.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "avr.h"
#include "control.h"

/* They survive a reset, not a loss of power. */
static uint8_t cause_bits __attribute__((section(".noinit")));
static uint32_t id __attribute__((section(".noinit")));
static uint32_t id_check __attribute__((section(".noinit")));

static uint16_t EEMEM power_ons;

/* Before main, and before memory is set up: else the processor's watchdog, once it has fired, would fire again during the start. */
void boot_early(void) __attribute__((naked, used, section(".init3")));
void boot_early(void)
{
	cause_bits = MCUSR;
	MCUSR = 0;
	wdt_disable();
}

uint8_t boot_cause(void)
{
	if (cause_bits & (1 << PORF))
		return RESET_POWER;
	if (cause_bits & (1 << BORF))
		return RESET_BROWN_OUT;
	if (cause_bits & (1 << WDRF))
		return RESET_WATCHDOG;
	if (cause_bits & (1 << EXTRF))
		return RESET_PIN;
	return RESET_UNKNOWN; /* a bootloader may have taken the bits */
}

uint32_t boot_id(void)
{
	if (id_check != ~id || (cause_bits & ((1 << PORF) | (1 << BORF))) || (uint16_t)(id + 1) == 0) {
		uint16_t n = eeprom_read_word(&power_ons) + 1;
		if (n == 0)
			n = 1;
		eeprom_update_word(&power_ons, n);
		id = (uint32_t)n << 16;
	}
	id++;
	id_check = ~id;
	return id;
}
