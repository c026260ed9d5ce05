package feed

import (
	"fmt"
	"regexp"
	"strconv"
)

// address is where the adapter finds the feed.
type address struct {
	way     Way
	host    string
	port    int // 0: none
	path    string
	capture string
}

// feed is what {feed} stands for.
func (a address) feed() string {
	if a.port != 0 {
		return a.host + ":" + strconv.Itoa(a.port)
	}
	return a.path
}

// placeholder is a name in braces that is ours.
var placeholder = regexp.MustCompile(`\{(feed|capture)(\.[a-z_]*)?\}`)

// Fill puts the address into a setting's value:
//
//	{feed}       127.0.0.1:40123 of udp, tcp, tcp_client and program; the path of serial, file and capture
//	{feed.host}  127.0.0.1
//	{feed.port}  40123
//	{feed.path}  the path of serial, file and capture; of program a path that is free
//	{capture}    the path of the capture file as it is
//
// Other braces stay as they are. A placeholder that this way of delivery has no value for is an error.
func (f *Feed) Fill(value string) (string, error) { return f.address.fill(value) }

func (a address) fill(value string) (string, error) {
	var wrong error
	filled := placeholder.ReplaceAllStringFunc(value, func(name string) string {
		var v string
		switch name {
		case "{feed}":
			v = a.feed()
		case "{feed.host}":
			v = a.host
		case "{feed.port}":
			if a.port != 0 {
				v = strconv.Itoa(a.port)
			}
		case "{feed.path}":
			v = a.path
		case "{capture}":
			v = a.capture
		}
		if v == "" && wrong == nil {
			wrong = fmt.Errorf("%s in %q: a feed by %s has none: write {feed}, which is %s here", name, value, a.way, a.feed())
		}
		return v
	})
	if wrong != nil {
		return "", wrong
	}
	return filled, nil
}
