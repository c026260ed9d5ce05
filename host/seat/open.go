package seat

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"strings"
	"time"

	"go.bug.st/serial"

	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

// simulatedDial connects to a controller in this process.
func simulatedDial(s Settings) (Dial, error) {
	virtual := s.Simulated
	virtual.Axes = seatlink.Axes{N: s.N, Metres: s.Metres}
	if virtual.Seed == 0 {
		virtual.Seed = uint64(time.Now().UnixNano())
	}
	server, err := simulated.NewServer(virtual)
	if err != nil {
		return nil, err
	}
	return func(ctx context.Context) (io.ReadWriteCloser, string, error) {
		// It outlives ctx by the moment in which the link says that it is leaving.
		return server.Dial(context.WithoutCancel(ctx)), "simulated", nil
	}, nil
}

// NewDial gives a way to open a serial port for this program alone, by its path or by its USB identity,
// usb:VID:PID[:SERIAL]. A port that comes back under another path is found by its identity, also where it was named by
// path: there only one with a serial number, since without one another of its kind could be meant.
func NewDial(port string, baud int) (Dial, error) { return newDial(port, baud, Ports, openSerial) }

func newDial(port string, baud int, present func() ([]Port, error), open func(string, int) (io.ReadWriteCloser, error)) (Dial, error) {
	if port == "" {
		return nil, errors.New(`seat: no port; give "simulated", a path such as /dev/ttyACM0, or usb:VID:PID`)
	}
	find := func(want usbIdentity) (string, error) {
		ports, err := present()
		if err != nil {
			return "", fmt.Errorf("seat %q: %w", port, err)
		}
		return want.find(ports)
	}
	if strings.HasPrefix(strings.ToLower(port), "usb:") {
		want, err := parseUSB(port)
		if err != nil {
			return nil, err
		}
		return func(context.Context) (io.ReadWriteCloser, string, error) {
			name, err := find(want)
			if err != nil {
				return nil, "", err
			}
			p, err := open(name, baud)
			return p, name, err
		}, nil
	}
	var seen *usbIdentity // nil until it has been opened
	return func(context.Context) (io.ReadWriteCloser, string, error) {
		name := port
		p, err := open(name, baud)
		if err != nil && errors.Is(err, errAbsent) && seen != nil && seen.serial != "" {
			if moved, lost := find(*seen); lost == nil {
				name = moved
				p, err = open(name, baud)
			}
		}
		if err == nil && seen == nil {
			seen = &usbIdentity{text: port}
			if ports, err := present(); err == nil {
				seen.learn(name, ports)
			}
		}
		return p, name, err
	}, nil
}

type usbIdentity struct{ text, vid, pid, serial string }

func parseUSB(text string) (usbIdentity, error) {
	parts := strings.SplitN(text, ":", 4)
	u := usbIdentity{text: text}
	if len(parts) >= 3 {
		u.vid, u.pid = strings.ToLower(parts[1]), strings.ToLower(parts[2])
	}
	if len(parts) == 4 {
		u.serial = parts[3]
	}
	isHex := func(s string) bool {
		return len(s) == 4 && strings.Trim(s, "0123456789abcdef") == ""
	}
	if !isHex(u.vid) || !isHex(u.pid) {
		return u, fmt.Errorf(`seat %q: not a USB identity; give usb:VID:PID or usb:VID:PID:SERIAL with four hexadecimal digits each, as "perch ports" shows them`, text)
	}
	return u, nil
}

// learn takes the identity of the port of that name, if it is a USB one.
func (u *usbIdentity) learn(name string, ports []Port) {
	if to, err := filepath.EvalSymlinks(name); err == nil {
		name = to
	}
	for _, p := range ports {
		if p.Name == name && p.USB {
			u.vid, u.pid, u.serial = p.VID, p.PID, p.Serial
		}
	}
}

// find gives the name of the one port with the identity.
func (u usbIdentity) find(ports []Port) (string, error) {
	var found []string
	for _, p := range ports {
		if p.USB && strings.EqualFold(p.VID, u.vid) && strings.EqualFold(p.PID, u.pid) && (u.serial == "" || p.Serial == u.serial) {
			found = append(found, p.Name)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return "", fmt.Errorf(`seat %q: port not found; present: %s; check the cable or run "perch ports"`, u.text, list(ports))
	}
	return "", fmt.Errorf("seat %q: %d ports have this identity (%s); add the serial number, or give the path if they share one", u.text, len(found), strings.Join(found, ", "))
}

func list(ports []Port) string {
	if len(ports) == 0 {
		return "none"
	}
	var out []string
	for _, p := range ports {
		if id := p.Identity(); id != p.Name {
			out = append(out, p.Name+" ("+id+")")
			continue
		}
		out = append(out, p.Name)
	}
	return strings.Join(out, ", ")
}

// openSerial opens a port for this program alone. Opening raises DTR and RTS, which resets many boards: hence
// HELLO until it is answered, and no fixed wait.
func openSerial(name string, baud int) (io.ReadWriteCloser, error) {
	lock, err := lockPort(name)
	if err != nil {
		return nil, explain(name, err)
	}
	port, err := serial.Open(name, &serial.Mode{BaudRate: baud, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit})
	if err != nil {
		_ = lock.Close()
		return nil, explain(name, err)
	}
	_ = port.ResetInputBuffer() // what came before is nobody's; not every port can
	open, err := carry(port, lock)
	if err != nil {
		return nil, explain(name, errors.Join(err, port.Close(), lock.Close()))
	}
	return open, nil
}

var (
	errBusy   = errors.New("in use")
	errAbsent = errors.New("port not found")
)

// explain makes an error of opening one for people.
func explain(name string, err error) error {
	var pe *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	switch {
	case errors.Is(err, fs.ErrNotExist) || code == serial.PortNotFound:
		ports, _ := Ports()
		return fmt.Errorf(`seat %q: %w; present: %s; check the cable or run "perch ports"`, name, errAbsent, list(ports))
	case errors.Is(err, errBusy) || code == serial.PortBusy:
		return fmt.Errorf("seat %q: another program uses this port%s; end it first", name, holder(name))
	case errors.Is(err, fs.ErrPermission) || code == serial.PermissionDenied:
		return fmt.Errorf(`seat %q: this account may not open the port; add it to the port's group (see "ls -l %s"), and log in again`, name, name)
	case code == serial.InvalidSerialPort:
		return fmt.Errorf(`seat %q: not a serial port (%w); run "perch ports"`, name, err)
	case code == serial.InvalidSpeed:
		return fmt.Errorf("seat %q: the port does not take this baud; try 500000 or 250000, here and in the controller", name)
	}
	return fmt.Errorf(`seat %q: %w; check the cable or run "perch ports"`, name, err)
}
