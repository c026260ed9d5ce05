package seat

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"time"

	"go.bug.st/serial"

	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

// readTimeout bounds how long a reader is deaf to the end of its session.
const readTimeout = 20 * time.Millisecond

// dialer chooses by the settings' port.
func dialer(s *Settings) (Dial, error) {
	switch {
	case s.Port == "":
		return nil, errors.New(`seat: no port; give "simulated", a path such as /dev/ttyACM0, or usb:VID:PID`)
	case s.Port == "simulated":
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
	case strings.HasPrefix(strings.ToLower(s.Port), "usb:"):
		want, err := parseUSB(s.Port)
		if err != nil {
			return nil, err
		}
		return func(context.Context) (io.ReadWriteCloser, string, error) {
			ports, err := Ports()
			if err != nil {
				return nil, "", fmt.Errorf("seat %q: %w", s.Port, err)
			}
			name, err := want.find(ports)
			if err != nil {
				return nil, "", err
			}
			port, err := openSerial(name, s.Baud)
			return port, name, err
		}, nil
	}
	return func(context.Context) (io.ReadWriteCloser, string, error) {
		port, err := openSerial(s.Port, s.Baud)
		return port, s.Port, err
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

// serialPort is a port with the lock that keeps other programs off it.
type serialPort struct {
	serial.Port
	lock io.Closer
}

func (p *serialPort) Close() error { return errors.Join(p.Port.Close(), p.lock.Close()) }

// openSerial opens a port for this program alone. Opening raises DTR and RTS, which resets many boards: hence
// HELLO until it is answered, and no fixed wait.
func openSerial(name string, baud int) (io.ReadWriteCloser, error) {
	if baud == 0 {
		baud = 500000
	}
	lock, err := lockPort(name)
	if err != nil {
		return nil, explain(name, err)
	}
	port, err := serial.Open(name, &serial.Mode{BaudRate: baud, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit})
	if err != nil {
		_ = lock.Close()
		return nil, explain(name, err)
	}
	if err := port.SetReadTimeout(readTimeout); err != nil {
		_ = port.Close()
		_ = lock.Close()
		return nil, explain(name, err)
	}
	_ = port.ResetInputBuffer() // what came before is nobody's; not every port can
	return &serialPort{port, lock}, nil
}

var errBusy = errors.New("in use")

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
		return fmt.Errorf(`seat %q: port not found; present: %s; check the cable or run "perch ports"`, name, list(ports))
	case errors.Is(err, errBusy) || code == serial.PortBusy:
		return fmt.Errorf("seat %q: another program uses this port; end it first", name)
	case errors.Is(err, fs.ErrPermission) || code == serial.PermissionDenied:
		return fmt.Errorf(`seat %q: this account may not open the port; add it to the port's group (see "ls -l %s"), and log in again`, name, name)
	case code == serial.InvalidSerialPort:
		return fmt.Errorf(`seat %q: not a serial port (%w); run "perch ports"`, name, err)
	case code == serial.InvalidSpeed:
		return fmt.Errorf("seat %q: the port does not take this baud rate; try 250000 or 115200, here and in the firmware", name)
	}
	return fmt.Errorf(`seat %q: %w; check the cable or run "perch ports"`, name, err)
}
