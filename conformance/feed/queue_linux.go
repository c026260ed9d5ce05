package feed

import (
	"bufio"
	"os"
	"strconv"
	"strings"
)

// queued says how many bytes wait to be read at a UDP port of this machine, overhead included, and whether anybody
// listens there, as /proc/net/udp tells it (proc_net_udp: local_address in field 2, tx_queue:rx_queue in field 5, in
// hex). told is false where it does not tell.
func queued(port int) (waiting int, listens, told bool) {
	for _, name := range []string{"/proc/net/udp", "/proc/net/udp6"} {
		f, err := os.Open(name)
		if err != nil {
			continue
		}
		told = true
		s := bufio.NewScanner(f)
		for s.Scan() {
			fields := strings.Fields(s.Text())
			if len(fields) < 5 {
				continue
			}
			_, at, _ := strings.Cut(fields[1], ":")
			_, queue, _ := strings.Cut(fields[4], ":")
			p, err := strconv.ParseInt(at, 16, 32)
			if err != nil || int(p) != port {
				continue
			}
			if n, err := strconv.ParseInt(queue, 16, 63); err == nil {
				listens, waiting = true, max(waiting, int(n))
			}
		}
		_ = f.Close()
	}
	return waiting, listens, told
}
