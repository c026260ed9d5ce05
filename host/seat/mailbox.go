package seat

import "sync/atomic"

// Mailbox hands the newest setpoint from one goroutine to one other: three slots, of which each side owns one and the
// third changes hands by an atomic exchange. Neither side ever waits.
type Mailbox struct {
	slots  [3]Setpoint
	shared atomic.Uint32 // index of the third slot, and fresh
	put    uint32        // the sender's slot
	got    uint32        // the receiver's slot
}

const fresh = 4

// NewMailbox gives an empty one.
func NewMailbox() *Mailbox {
	m := &Mailbox{put: 0, got: 2}
	m.shared.Store(1)
	return m
}

// Put stores sp and says whether an older one was lost by it.
func (m *Mailbox) Put(sp *Setpoint) (lost bool) {
	m.slots[m.put] = *sp
	old := m.shared.Swap(m.put | fresh)
	m.put = old &^ fresh
	return old&fresh != 0
}

// Take gives the newest setpoint if it has not been taken. It stays valid until the next Take.
func (m *Mailbox) Take() *Setpoint {
	if m.shared.Load()&fresh == 0 {
		return nil
	}
	m.got = m.shared.Swap(m.got) &^ fresh
	return &m.slots[m.got]
}
