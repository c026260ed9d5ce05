/* The one header that a builder edits: pins, polarities, gearing, limits, baud rate, name, kind of homing.
 *
 * Positions are thousandths of a degree of the crank, or micrometres where METRES is 1. No number here may be
 * wider than the seat's mechanics allow: nothing on the link can widen it again, and nothing else checks it. */
#ifndef BOARD_H
#define BOARD_H

#include "units.h"

/* ---- who this is ---- */
#define BOARD_ID "seat"                 /* 1 to 16 printable characters, one name for each board that you own */
#define AXES 2                          /* 1 or 2 */
#define METRES 0                        /* 0: the axes turn, radians on the link; 1: they slide, metres */
#ifndef BAUD
#define BAUD 500000UL                   /* exact from 16 MHz: 250000, 500000, 1000000; 115200 is 2.1 % off */
#endif

/* ---- how the position is found ---- */
#define HOMING_SWITCHES 1               /* a home switch on each axis */
#define HOMING_BY_HAND 2                /* an operator levels the seat and says so: README.md, "Homing by hand" */
#ifndef HOMING
#define HOMING HOMING_SWITCHES
#endif

/* ---- gearing: driver steps for one turn of the crank (driver steps a motor turn times gearbox), or for a metre ---- */
#define STEPS_PER_TURN_0 16000L         /* 1600 steps a motor turn, gearbox 10:1 */
#define STEPS_PER_TURN_1 16000L

/* ---- limits of each axis; lowest, highest, park position, speed, reduced speed, acceleration, jerk ---- */
#if HOMING == HOMING_SWITCHES
#define LIMITS_0 LIMITS(-60000, 60000, 0, 240000, 72000, 2000000, 30000000)
#define LIMITS_1 LIMITS(-60000, 60000, 0, 240000, 72000, 2000000, 30000000)
#else /* by hand nothing checks the position again, so less of everything */
#define LIMITS_0 LIMITS(-40000, 40000, 0, 120000, 36000, 1000000, 15000000)
#define LIMITS_1 LIMITS(-40000, 40000, 0, 120000, 36000, 1000000, 15000000)
#endif

/* ---- homing by switches: each switch is closed on one whole side of its edge, as a vane or a cam makes it ---- */
#define HOME_EDGE_0 POSITION(-10000)    /* where the edge is, found at commissioning */
#define HOME_EDGE_1 POSITION(-10000)
#define HOME_CLOSED_BELOW_0 1           /* 1: closed where the position is below the edge; 0: above */
#define HOME_CLOSED_BELOW_1 1
#define HOME_FAST SPEED(5000)           /* speed of the search */
#define HOME_SLOW SPEED(1500)           /* speed at which the edge is measured; at least 600 */
#define HOME_RAMP ACCELERATION(40000)   /* acceleration of the search */
#define HOME_BACK_OFF POSITION(2000)    /* how far it leaves the edge before it measures */
#define HOME_BEYOND POSITION(3000)      /* how far the search goes beyond the travel; metal stops lie outside of that */
#define HOME_TOLERANCE POSITION(2000)   /* this far past the edge, the switch must have changed, or steps were lost */
#define HOME_LAG_US 10000L              /* how far the motor may trail what it is told: adds speed times this */

/* ---- homing by hand: where the axes stand when the seat is level ---- */
#define LEVEL_0 POSITION(0)
#define LEVEL_1 POSITION(0)

/* ---- pins: port letter and bit. STEP, DIR and ENABLE of both axes share one port ---- */
#define OUT_PORT PORTD
#define OUT_DDR DDRD
#define STEP_0 2
#define STEP_1 3
#define DIR_0 4
#define DIR_1 5
#define ENABLE_0 6
#define ENABLE_1 7

#define IN_PORT PORTC                   /* home switches, over-travel switches, driver alarms share one port */
#define IN_DDR DDRC
#define IN_PIN PINC
#define HOME_0 0
#define HOME_1 1
#define OVER_0 2
#define OVER_1 3
#define ALARM_0 4
#define ALARM_1 5

#define AUX_PORT PORTB                  /* supply sense and lamp share one port */
#define AUX_DDR DDRB
#define AUX_PIN PINB
#define SUPPLY 0
#define LAMP 5                          /* on: homed; off: not; blinking: a fault is latched */

/* ---- polarities: the level at the pin. Inputs have their pull-ups on, so a broken wire reads 1 ---- */
#define DIR_UP_0 1                      /* level of DIR at which the position grows */
#define DIR_UP_1 1
#define ENABLE_ON 1                     /* level at which the driver powers its motor */
#define HOME_CLOSED 0
#define OVER_ACTIVE 1                   /* normally closed switches to ground: pressed, or wire broken, is 1 */
#define ALARM_ACTIVE 1                  /* an alarm output that is closed to ground while all is well */
#define SUPPLY_PRESENT 0                /* an optocoupler on the motor supply that pulls the pin to ground */

/* ---- times ---- */
#define ENABLE_SETTLE_MS 500            /* from ENABLE to the first step: what the driver needs to take hold */
#define FILTER_MS 3                     /* an input counts when it has been so for this long */

#endif
