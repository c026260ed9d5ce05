/*
 * bench: runs a controller's firmware, as the binary that would be flashed, on a simulated chip and a simulated crank.
 * Copyright (C) 2026 the authors of this repository
 *
 * This program is free software: you can redistribute it and/or modify it under the terms of the GNU General Public
 * License as published by the Free Software Foundation, either version 3 of the License, or (at your option) any later
 * version. It comes WITHOUT ANY WARRANTY. See the file LICENSE beside it.
 *
 * It reads commands, one a line, from the files named on its command line and then from standard input; README.md lists
 * them. Everything happens at a cycle of the simulated chip, so that two runs of the same commands give the same output.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <pty.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "sim_avr.h"
#include "sim_cycle_timers.h"
#include "sim_elf.h"
#include "sim_interrupts.h"
#include "sim_irq.h"
#include "avr_ioport.h"
#include "avr_uart.h"

enum { MAX_AXES = 6, MAX_SWITCHES = 16, PORTS = 12, PAINT = 0xC5, VECTORS = 64 };

DEFINE_FIFO(uint16_t, uart_fifo);

/* A pin is a port's letter and a bit. */
struct pin {
	char port;
	uint8_t bit;
};

/* An output that is watched. role says what the plant makes of its edges. */
enum role { ROLE_NONE, ROLE_STEP, ROLE_DIR, ROLE_ENABLE };
struct output {
	struct pin pin;
	char name[16];
	int idle;  /* the level that pull resistors give while the chip drives nothing */
	int level; /* present */
	enum role role;
	int axis;
	bool used;
};

/* A switch is closed while the crank of its axis is between from and to, in steps. */
struct switches {
	struct pin pin;
	int axis;
	int64_t from, to;
	int closed_level;
};

struct axis {
	bool used;
	int dir_forward;  /* level of DIR that counts up */
	int enable_level; /* level of ENABLE at which the motor holds */
	int dir, enabled;
	int64_t steps;    /* rising edges of STEP, signed by DIR: what the firmware has told */
	int64_t crank;    /* where the crank is: steps that were lost, and those without supply or enable, do not move it */
	uint64_t edges;   /* rising edges, unsigned */
	uint64_t lose;    /* so many of the next steps are lost */
	uint64_t unheld;  /* steps given while the driver was not enabled */
	avr_cycle_count_t rise, fall, dir_edge;
	bool has_rise, has_fall, has_dir;
	uint64_t min_high, min_low, min_period, min_setup, min_hold;
};

struct byte {
	avr_cycle_count_t at;
	uint8_t value;
};

static avr_t *avr;
static avr_uart_t *uart;
static avr_irq_t *uart_in;
static avr_ioport_t *ports[26];
static uint8_t pull_mask[26], pull_value[26];

static struct output outputs[32];
static int n_outputs;
static struct switches switches_[MAX_SWITCHES];
static int n_switches;
static struct axis axes[MAX_AXES];
static int forced[26][8]; /* 0 not forced, else level + 1 */
static int motor_supply = 1;

static struct byte *queue;
static size_t queue_at, queue_n, queue_room;
static avr_cycle_count_t line_free; /* when the line to the chip has sent its last byte */
static uint64_t byte_cycles = 320;  /* of the line to the chip: ten bits */
static uint64_t overruns, bytes_in, bytes_out, resets;
static int show_edges = 1, show_bytes = 1;
static int pty_master = -1;
static uint64_t hash = 14695981039346656037u; /* FNV-1a, 64 bits */

static uint64_t isr_count[VECTORS], isr_worst[VECTORS], isr_total[VECTORS], isr_wait[VECTORS];
static avr_cycle_count_t isr_began[VECTORS], isr_pending[VECTORS];
static bool isr_on[VECTORS], isr_waits[VECTORS];

static uint32_t *samples; /* of the program counter, one every SAMPLE cycles; NULL: none are taken */
enum { SAMPLE = 97 };

/* elf_firmware_t, kept so that a power cycle can bring flash back as it was. */
static elf_firmware_t firmware;

static void note(uint64_t x)
{
	for (int i = 0; i < 8; i++, x >>= 8)
		hash = (hash ^ (x & 0xFF)) * 1099511628211u;
}

static void no_sleep(avr_t *a, avr_cycle_count_t n)
{
	(void)a;
	(void)n;
}

static void quiet(avr_t *a, const int level, const char *format, va_list args)
{
	(void)a;
	if (level <= LOG_ERROR) {
		fputs("bench: ", stderr);
		vfprintf(stderr, format, args);
	}
}

/* ---- inputs ---- */

static void set_input(struct pin p, int level)
{
	int k = p.port - 'A';
	if (!ports[k])
		return;
	pull_mask[k] |= 1 << p.bit;
	pull_value[k] = (pull_value[k] & ~(1 << p.bit)) | level << p.bit;
	avr_ioport_external_t e = {.name = p.port, .mask = pull_mask[k], .value = pull_value[k]};
	avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(p.port), &e);
	if (!(avr->data[ports[k]->r_ddr] & 1 << p.bit))
		avr_raise_irq(ports[k]->io.irq + p.bit, level);
}

/* After a reset the input registers read zero; give the pins what is outside. */
static void restore_inputs(void)
{
	for (int k = 0; k < 26; k++) {
		if (!ports[k])
			continue;
		uint8_t mask = pull_mask[k] & ~avr->data[ports[k]->r_ddr];
		avr->data[ports[k]->r_pin] = (avr->data[ports[k]->r_pin] & ~mask) | (pull_value[k] & mask);
	}
}

static void update_switches(int axis)
{
	for (int i = 0; i < n_switches; i++) {
		if (switches_[i].axis != axis)
			continue;
		struct pin p = switches_[i].pin;
		if (forced[p.port - 'A'][p.bit])
			continue;
		int level = !switches_[i].closed_level;
		for (int j = 0; j < n_switches; j++) { /* several switches on one input */
			struct switches *s = &switches_[j];
			if (s->pin.port == p.port && s->pin.bit == p.bit && axes[s->axis].crank >= s->from && axes[s->axis].crank <= s->to)
				level = s->closed_level;
		}
		set_input(p, level);
	}
}

/* ---- outputs ---- */

static void least(uint64_t *best, uint64_t x)
{
	if (x < *best)
		*best = x;
}

static void step_edge(int n, int level, avr_cycle_count_t now)
{
	struct axis *a = &axes[n];
	if (!level) {
		if (a->has_rise)
			least(&a->min_high, now - a->rise);
		a->fall = now;
		a->has_fall = true;
		return;
	}
	if (a->has_fall)
		least(&a->min_low, now - a->fall);
	if (a->has_rise)
		least(&a->min_period, now - a->rise);
	if (a->has_dir)
		least(&a->min_setup, now - a->dir_edge);
	a->rise = now;
	a->has_rise = true;
	a->edges++;
	int by = a->dir == a->dir_forward ? 1 : -1;
	a->steps += by;
	if (a->enabled != a->enable_level) {
		a->unheld++;
		return;
	}
	if (!motor_supply)
		return;
	if (a->lose) {
		a->lose--;
		return;
	}
	a->crank += by;
	update_switches(n);
}

static void edge(struct output *o, int level)
{
	avr_cycle_count_t now = avr->cycle;
	if (level == o->level)
		return;
	o->level = level;
	note(now);
	note((uint64_t)(o - outputs) * 2 + level);
	struct axis *a = &axes[o->axis];
	switch (o->role) {
	case ROLE_STEP:
		step_edge(o->axis, level, now);
		break;
	case ROLE_DIR:
		a->dir = level;
		a->dir_edge = now;
		a->has_dir = true;
		if (a->has_rise)
			least(&a->min_hold, now - a->rise);
		break;
	case ROLE_ENABLE:
		for (int i = 0; i < MAX_AXES; i++) /* one line for all drivers, or a line each */
			if (o->axis == i || o->axis < 0)
				axes[i].enabled = level;
		break;
	default:
		break;
	}
	if (show_edges)
		printf("e %" PRIu64 " %s %d\n", (uint64_t)now, o->name, level);
}

static void on_pin(struct avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	edge(param, value & 1);
}

/* ---- the line ---- */

static void on_uart(struct avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	(void)param;
	bytes_out++;
	note(avr->cycle);
	note(0x100 | (value & 0xFF));
	if (pty_master >= 0) {
		uint8_t b = value;
		ssize_t done = write(pty_master, &b, 1); /* a host that does not read loses bytes, as on a wire */
		(void)done;
	}
	if (show_bytes)
		printf("u %" PRIu64 " %02x\n", (uint64_t)avr->cycle, value & 0xFF);
}

static avr_cycle_count_t feed(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)param;
	(void)when;
	while (queue_n && queue[queue_at].at <= a->cycle) {
		/* The model takes 11 bits for a byte; the real one, with 8N1, ten. */
		uint32_t divisor = a->data[uart->ubrrl.reg] | a->data[uart->ubrrh.reg] << 8;
		bool doubled = avr_regbit_get(a, uart->u2x);
		uart->cycles_per_byte = (uint64_t)(divisor + 1) * (doubled ? 8 : 16) * 10;
		/* The real receiver holds two bytes and one in its shift register, the model 64. */
		if (uart_fifo_get_read_size(&uart->input) >= 3) {
			overruns++;
			printf("o %" PRIu64 "\n", (uint64_t)a->cycle);
		} else {
			avr_raise_irq(uart_in, queue[queue_at].value);
		}
		queue_at++;
		queue_n--;
		bytes_in++;
	}
	return queue_n ? queue[queue_at].at : 0;
}

static void schedule(void)
{
	avr_cycle_timer_cancel(avr, feed, NULL);
	if (queue_n) {
		avr_cycle_count_t at = queue[queue_at].at;
		avr_cycle_timer_register(avr, at > avr->cycle ? at - avr->cycle : 1, feed, NULL);
	}
}

static void send_byte(avr_cycle_count_t at, uint8_t value)
{
	if (at < line_free)
		at = line_free;
	if (at < avr->cycle)
		at = avr->cycle;
	line_free = at + byte_cycles;
	if (queue_at + queue_n == queue_room) {
		if (queue_at > queue_n) {
			memmove(queue, queue + queue_at, queue_n * sizeof *queue);
		} else {
			size_t room = queue_room ? 2 * queue_room : 4096;
			struct byte *q = malloc(room * sizeof *q);
			if (!q)
				abort();
			memcpy(q, queue + queue_at, queue_n * sizeof *q);
			free(queue);
			queue = q;
			queue_room = room;
		}
		queue_at = 0;
	}
	queue[queue_at + queue_n++] = (struct byte){at, value};
	if (queue_n == 1)
		schedule();
}

/* ---- interrupts ---- */

static void on_running(struct avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	int v = (int)(intptr_t)param;
	if (value && !isr_on[v]) {
		isr_on[v] = true;
		isr_began[v] = avr->cycle;
		if (isr_waits[v] && avr->cycle - isr_pending[v] > isr_wait[v])
			isr_wait[v] = avr->cycle - isr_pending[v];
		isr_waits[v] = false;
	} else if (!value && isr_on[v]) {
		isr_on[v] = false;
		uint64_t took = avr->cycle - isr_began[v];
		isr_count[v]++;
		isr_total[v] += took;
		if (took > isr_worst[v])
			isr_worst[v] = took;
	}
}

static void on_pending(struct avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	int v = (int)(intptr_t)param;
	if (value && !isr_waits[v]) {
		isr_waits[v] = true;
		isr_pending[v] = avr->cycle;
	}
}

/* ---- reset ---- */

static void (*core_reset)(avr_t *);

static avr_cycle_count_t after_reset(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)a;
	(void)when;
	(void)param;
	restore_inputs();
	return 0;
}

static uint32_t hung_at; /* 0: it is not */
static uint8_t hung_was[2];

static void on_reset(avr_t *a)
{
	if (hung_at)
		memcpy(a->flash + hung_at, hung_was, sizeof hung_was);
	hung_at = 0;
	if (core_reset)
		core_reset(a);
	resets++;
	memset(isr_on, 0, sizeof isr_on);
	memset(isr_waits, 0, sizeof isr_waits);
	printf("r %" PRIu64 "\n", (uint64_t)a->cycle);
	note(a->cycle);
	for (int i = 0; i < n_outputs; i++) /* every pin is an input now: pull resistors decide */
		edge(&outputs[i], outputs[i].idle);
	restore_inputs();
	avr_cycle_timer_register(a, 1, after_reset, NULL);
	queue_at += queue_n; /* what was on the line is lost */
	queue_n = 0;
}

static void clear_axis_times(void)
{
	for (int i = 0; i < MAX_AXES; i++)
		axes[i].min_high = axes[i].min_low = axes[i].min_period = axes[i].min_setup = axes[i].min_hold = UINT64_MAX;
}

/* ---- set-up ---- */

static void find_parts(void)
{
	for (avr_io_t *io = avr->io_port; io; io = io->next) {
		if (!strcmp(io->kind, "port")) {
			avr_ioport_t *p = (avr_ioport_t *)io;
			if (p->name >= 'A' && p->name <= 'Z')
				ports[p->name - 'A'] = p;
		}
		if (!strcmp(io->kind, "uart") && ((avr_uart_t *)io)->name == '0')
			uart = (avr_uart_t *)io;
	}
}

/* At each compare match the simulator asks its modules in turn for the state of a port, a quarter of its time; and 25 000
 * times a second who takes a watchdog reset. So these come first. */
static void asked_first(const char *kind)
{
	avr_io_t *first = NULL, **end = &first;
	for (avr_io_t **at = &avr->io_port; *at;) {
		avr_io_t *io = *at;
		if (strcmp(io->kind, kind)) {
			at = &io->next;
			continue;
		}
		*at = io->next;
		*end = io;
		end = &io->next;
	}
	*end = avr->io_port;
	avr->io_port = first;
}

static int start(const char *part, const char *elf)
{
	if (elf_read_firmware(elf, &firmware)) {
		fprintf(stderr, "bench: %s is no ELF file for this chip\n", elf);
		return 1;
	}
	avr = avr_make_mcu_by_name(part);
	if (!avr) {
		fprintf(stderr, "bench: the simulator knows no chip %s; `simavr --list-cores` lists them\n", part);
		return 1;
	}
	avr_init(avr);
	avr->log = LOG_ERROR;
	avr_load_firmware(avr, &firmware);
	avr->frequency = 16000000;
	avr->sleep = no_sleep;
	find_parts();
	asked_first("watchdog");
	asked_first("port");
	if (!uart) {
		fprintf(stderr, "bench: chip %s has no serial port 0\n", part);
		return 1;
	}
	uint32_t flags = 0;
	avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
	flags &= ~(AVR_UART_FLAG_POLL_SLEEP | AVR_UART_FLAG_STDIO);
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_uart, NULL);
	for (int v = 1; v < VECTORS; v++) {
		avr_irq_t *irq = avr_get_interrupt_irq(avr, v);
		if (!irq)
			continue;
		avr_irq_register_notify(irq + AVR_INT_IRQ_PENDING, on_pending, (void *)(intptr_t)v);
		avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, on_running, (void *)(intptr_t)v);
	}
	core_reset = avr->reset;
	avr->reset = on_reset;
	memset(avr->data + 0x100, PAINT, avr->ramend - 0xFF);
	avr_regbit_set(avr, avr->reset_flags.porf);
	clear_axis_times();
	return 0;
}

/* ---- commands ---- */

static bool read_pin(const char *s, struct pin *p)
{
	if (!s || s[0] < 'A' || s[0] > 'Z' || s[1] < '0' || s[1] > '7' || s[2] || !ports[s[0] - 'A'])
		return false;
	*p = (struct pin){s[0], s[1] - '0'};
	return true;
}

static bool read_number(const char *s, int64_t *x)
{
	if (!s || !*s)
		return false;
	char *end;
	errno = 0;
	*x = strtoll(s, &end, 0);
	return !*end && !errno;
}

static bool read_axis(const char *s, int *n)
{
	int64_t x;
	if (!read_number(s, &x) || x < 0 || x >= MAX_AXES)
		return false;
	*n = (int)x;
	return true;
}

static int run_to(avr_cycle_count_t end)
{
	while (avr->cycle < end) {
		int state = avr_run(avr);
		if (state == cpu_Done || state == cpu_Crashed) {
			printf("error the program ended: state %d at cycle %" PRIu64 ", pc 0x%x\n", state, (uint64_t)avr->cycle, avr->pc);
			return 1;
		}
	}
	return 0;
}

static avr_cycle_count_t sample(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)param;
	samples[a->pc]++;
	return when + SAMPLE;
}

/* A timer that does nothing keeps a sleeping chip from jumping past the end of a run. */
static avr_cycle_count_t wake(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)a;
	(void)when;
	(void)param;
	return 0;
}

static int run_exactly(avr_cycle_count_t end)
{
	if (end <= avr->cycle)
		return 0;
	avr_cycle_timer_cancel(avr, wake, NULL);
	avr_cycle_timer_register(avr, end - avr->cycle, wake, NULL);
	return run_to(end);
}

static void add_output(struct pin p, const char *name, int idle, enum role role, int axis)
{
	struct output *o = &outputs[n_outputs++];
	*o = (struct output){.pin = p, .idle = idle, .level = idle, .role = role, .axis = axis, .used = true};
	snprintf(o->name, sizeof o->name, "%s", name);
	int k = p.port - 'A';
	pull_mask[k] |= 1 << p.bit;
	pull_value[k] = (pull_value[k] & ~(1 << p.bit)) | idle << p.bit;
	avr_ioport_external_t e = {.name = p.port, .mask = pull_mask[k], .value = pull_value[k]};
	avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(p.port), &e);
	avr_irq_register_notify(ports[k]->io.irq + p.bit, on_pin, o);
}

static void reset_chip(bool power)
{
	if (power)
		memset(avr->data + 0x100, PAINT, avr->ramend - 0xFF); /* memory forgets */
	avr_reset(avr);
	avr_regbit_set(avr, power ? avr->reset_flags.porf : avr->reset_flags.extrf);
	avr_cycle_timer_cancel(avr, feed, NULL);
}

static int hex(char c)
{
	if (c >= '0' && c <= '9')
		return c - '0';
	if (c >= 'a' && c <= 'f')
		return c - 'a' + 10;
	if (c >= 'A' && c <= 'F')
		return c - 'A' + 10;
	return -1;
}

static int fail(const char *what)
{
	printf("error %s\n", what);
	return 1;
}

static void print_least(const char *name, uint64_t x)
{
	if (x == UINT64_MAX)
		printf(" %s=-", name);
	else
		printf(" %s=%" PRIu64, name, x);
}

static int serve(void);

/* save goes on in a copy of this process; back ends the copy, and everything is as it was. */
static int depth;

static int save(void)
{
	fflush(stdout);
	pid_t child = fork();
	if (child < 0)
		return fail("no copy of the process");
	if (!child) {
		depth++;
		printf("ok\n");
		return 0;
	}
	int status;
	while (waitpid(child, &status, 0) < 0 && errno == EINTR)
		;
	if (!WIFEXITED(status) || WEXITSTATUS(status))
		_exit(1);
	printf("ok\n");
	return 0;
}

static int back(void)
{
	if (!depth)
		return fail("nothing is saved");
	fflush(stdout);
	_exit(0);
}

/* command does one line. It answers with one line that starts with ok or error. */
static int command(char *line)
{
	char *word[8] = {0};
	int n = 0;
	char *rest = NULL;
	for (char *w = strtok_r(line, " \t\r\n", &rest); w && n < 8; w = strtok_r(NULL, " \t\r\n", &rest))
		word[n++] = w;
	if (!n || word[0][0] == '#')
		return 0;
	const char *c = word[0];
	int64_t x, y;
	int axis;
	struct pin p;
	if (!strcmp(c, "run")) { /* run CYCLE */
		if (!read_number(word[1], &x) || x < 0)
			return fail("run wants a cycle");
		if (run_exactly(x))
			return 1;
		printf("ok %" PRIu64 "\n", (uint64_t)avr->cycle);
		return 0;
	}
	if (!strcmp(c, "send")) { /* send CYCLE HEX */
		if (!read_number(word[1], &x) || x < 0 || !word[2])
			return fail("send wants a cycle and bytes in hexadecimal");
		size_t m = strlen(word[2]);
		for (size_t i = 0; i < m; i++)
			if (hex(word[2][i]) < 0 || m % 2)
				return fail("send wants bytes in hexadecimal");
		for (size_t i = 0; i < m; i += 2)
			send_byte(x, hex(word[2][i]) << 4 | hex(word[2][i + 1]));
		printf("ok %" PRIu64 "\n", (uint64_t)line_free);
		return 0;
	}
	if (!strcmp(c, "baud")) {
		if (!read_number(word[1], &x) || x < 300 || x > 2000000)
			return fail("baud wants a bit rate");
		byte_cycles = (uint64_t)(10.0 * avr->frequency / x + 0.5);
	} else if (!strcmp(c, "pin")) { /* pin PIN 0|1|free: an input that somebody holds, or gives back to its switch */
		if (!read_pin(word[1], &p) || !word[2])
			return fail("pin wants a pin and 0, 1 or free");
		if (!strcmp(word[2], "free")) {
			forced[p.port - 'A'][p.bit] = 0;
			for (int i = 0; i < MAX_AXES; i++)
				update_switches(i);
		} else {
			int level = word[2][0] == '1';
			forced[p.port - 'A'][p.bit] = level + 1;
			set_input(p, level);
		}
	} else if (!strcmp(c, "axis")) { /* axis N STEP DIR ENABLE FORWARD ENABLED */
		struct pin step, dir, enable;
		int64_t forward, enabled;
		if (!read_axis(word[1], &axis) || !read_pin(word[2], &step) || !read_pin(word[3], &dir) || !read_pin(word[4], &enable) ||
		    !read_number(word[5], &forward) || !read_number(word[6], &enabled) || n_outputs + 3 > 32)
			return fail("axis wants a number, three pins, the level of DIR that counts up, the level of ENABLE that holds");
		char name[16];
		struct axis *a = &axes[axis];
		if (a->used)
			return fail("this axis is wired already");
		a->used = true;
		a->dir_forward = forward != 0;
		a->enable_level = enabled != 0;
		a->enabled = !a->enable_level;
		snprintf(name, sizeof name, "step%d", axis);
		add_output(step, name, 0, ROLE_STEP, axis);
		snprintf(name, sizeof name, "dir%d", axis);
		add_output(dir, name, 0, ROLE_DIR, axis);
		int shared = -1;
		for (int i = 0; i < n_outputs; i++)
			if (outputs[i].role == ROLE_ENABLE && outputs[i].pin.port == enable.port && outputs[i].pin.bit == enable.bit)
				shared = i;
		if (shared >= 0) {
			outputs[shared].axis = -1;
			snprintf(outputs[shared].name, sizeof outputs[shared].name, "enable");
		} else {
			snprintf(name, sizeof name, "enable%d", axis);
			add_output(enable, name, !a->enable_level, ROLE_ENABLE, axis);
		}
	} else if (!strcmp(c, "watch")) { /* watch PIN NAME IDLE */
		if (!read_pin(word[1], &p) || !word[2] || !read_number(word[3], &x) || n_outputs == 32)
			return fail("watch wants a pin, a name and the level that it has while nothing drives it");
		add_output(p, word[2], x != 0, ROLE_NONE, 0);
	} else if (!strcmp(c, "switch")) { /* switch PIN AXIS FROM TO CLOSED */
		int64_t closed;
		if (!read_pin(word[1], &p) || !read_axis(word[2], &axis) || !read_number(word[3], &x) || !read_number(word[4], &y) ||
		    !read_number(word[5], &closed) || n_switches == MAX_SWITCHES)
			return fail("switch wants a pin, an axis, the crank's first and last step where it is closed, the level when closed");
		switches_[n_switches++] = (struct switches){p, axis, x, y, closed != 0};
		update_switches(axis);
	} else if (!strcmp(c, "crank")) { /* crank AXIS STEPS: put the crank there by hand */
		if (!read_axis(word[1], &axis) || !read_number(word[2], &x))
			return fail("crank wants an axis and steps");
		axes[axis].crank = x;
		update_switches(axis);
	} else if (!strcmp(c, "lose")) { /* lose AXIS N */
		if (!read_axis(word[1], &axis) || !read_number(word[2], &x) || x < 0)
			return fail("lose wants an axis and a number of steps");
		axes[axis].lose = x;
	} else if (!strcmp(c, "supply")) { /* supply 0|1: whether steps move the crank */
		if (!read_number(word[1], &x))
			return fail("supply wants 0 or 1");
		motor_supply = x != 0;
	} else if (!strcmp(c, "show")) { /* show edges|bytes 0|1 */
		if (!word[1] || !read_number(word[2], &x))
			return fail("show wants edges or bytes, and 0 or 1");
		if (!strcmp(word[1], "edges"))
			show_edges = x != 0;
		else if (!strcmp(word[1], "bytes"))
			show_bytes = x != 0;
		else
			return fail("show wants edges or bytes, and 0 or 1");
	} else if (!strcmp(c, "reset")) { /* reset pin|power */
		if (!word[1] || (strcmp(word[1], "pin") && strcmp(word[1], "power")))
			return fail("reset wants pin or power");
		reset_chip(!strcmp(word[1], "power"));
	} else if (!strcmp(c, "counts")) {
		printf("ok cycle=%" PRIu64 " in=%" PRIu64 " out=%" PRIu64 " overruns=%" PRIu64 " resets=%" PRIu64 " waiting=%zu hash=%016" PRIx64 "\n",
		       (uint64_t)avr->cycle, bytes_in, bytes_out, overruns, resets, queue_n, hash);
		return 0;
	} else if (!strcmp(c, "position")) {
		if (!read_axis(word[1], &axis))
			return fail("position wants an axis");
		struct axis *a = &axes[axis];
		printf("ok steps=%" PRId64 " crank=%" PRId64 " edges=%" PRIu64 " unheld=%" PRIu64 " enabled=%d", a->steps, a->crank, a->edges,
		       a->unheld, a->enabled == a->enable_level);
		print_least("high", a->min_high);
		print_least("low", a->min_low);
		print_least("period", a->min_period);
		print_least("setup", a->min_setup);
		print_least("hold", a->min_hold);
		printf("\n");
		return 0;
	} else if (!strcmp(c, "interrupts")) {
		for (int v = 1; v < VECTORS; v++)
			if (isr_count[v])
				printf("i %d count=%" PRIu64 " worst=%" PRIu64 " mean=%" PRIu64 " wait=%" PRIu64 "\n", v, isr_count[v], isr_worst[v],
				       isr_total[v] / isr_count[v], isr_wait[v]);
	} else if (!strcmp(c, "untouched")) { /* untouched ADDRESS: how many bytes from there on still hold the paint */
		if (!read_number(word[1], &x) || x < 0x100 || x > avr->ramend)
			return fail("untouched wants an address in RAM");
		int64_t end = x;
		while (end <= avr->ramend && avr->data[end] == PAINT)
			end++;
		printf("ok %" PRId64 " of %" PRId64 "\n", end - x, (int64_t)avr->ramend + 1 - x);
		return 0;
	} else if (!strcmp(c, "peek")) { /* peek ADDRESS LENGTH */
		if (!read_number(word[1], &x) || !read_number(word[2], &y) || x < 0 || y < 0 || x + y > avr->ramend + 1)
			return fail("peek wants an address in data memory and a length");
		printf("ok ");
		for (int64_t i = 0; i < y; i++)
			printf("%02x", avr->data[x + i]);
		printf("\n");
		return 0;
	} else if (!strcmp(c, "hang")) { /* hang ADDRESS: from there on an endless loop, until a reset */
		if (!read_number(word[1], &x) || x < 2 || x % 2 || x + 1 > avr->flashend || hung_at)
			return fail("hang wants an even address in flash, once until the next reset");
		hung_at = x;
		memcpy(hung_was, avr->flash + x, sizeof hung_was);
		memcpy(avr->flash + x, "\xff\xcf", 2); /* rjmp .-2 */
	} else if (!strcmp(c, "profile")) { /* profile 1: begin; profile 0: end, with a line for each address that was met */
		if (!read_number(word[1], &x))
			return fail("profile wants 1 or 0");
		if (x && !samples) {
			samples = calloc(avr->flashend + 1, sizeof *samples);
			if (!samples)
				abort();
			avr_cycle_timer_register(avr, SAMPLE, sample, NULL);
		} else if (!x && samples) {
			avr_cycle_timer_cancel(avr, sample, NULL);
			for (uint32_t i = 0; i <= avr->flashend; i++)
				if (samples[i])
					printf("i %04x %" PRIu32 "\n", i, samples[i]);
			free(samples);
			samples = NULL;
		}
	} else if (!strcmp(c, "save")) {
		return save();
	} else if (!strcmp(c, "back")) {
		return back();
	} else if (!strcmp(c, "serve")) {
		return serve();
	} else {
		return fail("no such command");
	}
	printf("ok\n");
	return 0;
}

/* ---- real time ---- */

static double monotonic(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return t.tv_sec + t.tv_nsec * 1e-9;
}

/*
 * serve runs the chip by the clock on a pseudo-terminal, and does commands as they come, until standard input ends. A
 * simulation that cannot keep up lets its clock fall behind rather than hurry afterwards. To the chip the host is then too
 * fast; so that this does not look like a flood, the line carries SLOW bytes a slice while the clock falls behind, which is
 * what a host sends to two axes at 500 Hz.
 */
static int serve(void)
{
	enum { SLICE = 8000, READ_AHEAD = 2048, SLOW = 7, SLOW_FOR = 2000 };
	int slave;
	char name[64];
	if (openpty(&pty_master, &slave, name, NULL, NULL))
		return fail("no pseudo-terminal");
	struct termios t;
	tcgetattr(slave, &t);
	cfmakeraw(&t);
	tcsetattr(slave, TCSANOW, &t);
	fcntl(pty_master, F_SETFL, O_NONBLOCK);
	show_bytes = show_edges = 0;
	printf("ok %s\n", name);
	fflush(stdout);
	if (setpriority(PRIO_PROCESS, 0, -15))
		errno = 0; /* not allowed: without, then */
	double began = monotonic(), behind = 0;
	avr_cycle_count_t origin = avr->cycle;
	char line[4096];
	size_t have = 0;
	for (int slow = 0;; slow -= slow > 0) {
		uint8_t buffer[256];
		if (queue_n < (slow ? SLOW : READ_AHEAD)) {
			ssize_t got = read(pty_master, buffer, slow ? SLOW : sizeof buffer);
			for (ssize_t i = 0; i < got; i++)
				send_byte(avr->cycle, buffer[i]);
		}
		if (run_exactly(avr->cycle + SLICE))
			return 1;
		struct pollfd in = {.fd = 0, .events = POLLIN};
		if (poll(&in, 1, 0) > 0) {
			ssize_t got = read(0, line + have, sizeof line - 1 - have);
			if (got <= 0)
				return 0;
			have += got;
			for (char *end; (end = memchr(line, '\n', have));) {
				size_t len = end + 1 - line;
				*end = 0;
				if (strncmp(line, "run", 3) && strncmp(line, "serve", 5))
					command(line);
				else
					fail("not while the clock runs");
				have -= len;
				memmove(line, end + 1, have);
			}
			if (have == sizeof line - 1)
				have = 0;
		}
		fflush(stdout);
		double ahead = (avr->cycle - origin) / 16e6 - (monotonic() - began) + behind;
		if (ahead < -0.002)
			slow = SLOW_FOR;
		if (ahead < -0.02)
			behind -= ahead;
		else if (ahead > 0)
			usleep((useconds_t)(ahead * 1e6));
	}
}

int main(int argc, char **argv)
{
	static char buffer[1 << 16], line[1 << 20];
	if (argc < 3) {
		fprintf(stderr, "usage: bench CHIP FIRMWARE.elf [FILE OF COMMANDS...]\nREADME.md beside the source lists the commands\n");
		return 2;
	}
	avr_global_logger_set(quiet);
	if (start(argv[1], argv[2]))
		return 2;
	setvbuf(stdout, buffer, _IOFBF, sizeof buffer);
	for (int i = 3; i < argc; i++) {
		FILE *f = fopen(argv[i], "r");
		if (!f) {
			perror(argv[i]);
			return 2;
		}
		while (fgets(line, sizeof line, f))
			if (command(line)) {
				fflush(stdout);
				return 1;
			}
		fclose(f);
		fflush(stdout);
	}
	/* Without stdio's buffer, so that serve finds every line that follows. */
	size_t have = 0;
	for (;;) {
		char *end = memchr(line, '\n', have);
		if (!end) {
			if (have == sizeof line)
				return 2;
			ssize_t got = read(0, line + have, sizeof line - have);
			if (got <= 0)
				_exit(depth ? 1 : 0);
			have += got;
			continue;
		}
		size_t len = end + 1 - line;
		*end = 0;
		command(line);
		fflush(stdout);
		have -= len;
		memmove(line, end + 1, have);
	}
}
