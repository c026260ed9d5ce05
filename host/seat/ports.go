package seat

// Port is a serial port that is present.
type Port struct {
	Name    string // such as /dev/ttyACM0 or COM3
	USB     bool
	VID     string // four hexadecimal digits, lower case
	PID     string
	Serial  string
	Product string
}

// Identity is the port as usb:VID:PID[:SERIAL], or its name where it is not USB.
func (p Port) Identity() string {
	if !p.USB || p.VID == "" {
		return p.Name
	}
	s := "usb:" + p.VID + ":" + p.PID
	if p.Serial != "" {
		s += ":" + p.Serial
	}
	return s
}
