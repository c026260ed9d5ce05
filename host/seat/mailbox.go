package seat

import "sync/atomic"

// mailbox hands the newest setpoint from one goroutine to one other: three slots, of which each side owns one and the
// third changes hands by an atomic exchange. Neither side ever waits.
type mailbox struct {
	slots  [3]Setpoint
	shared atomic.Uint32 // index of the third slot, and fresh
	put    uint32        // the sender's slot
	got    uint32        // the receiver's slot
}

const fresh = 4

func newMailbox() *mailbox {
	m := &mailbox{put: 0, got: 2}
	m.shared.Store(1)
	return m
}

// send stores sp and says whether an older one was lost by it.
func (m *mailbox) send(sp *Setpoint) (lost bool) {
	m.slots[m.put] = *sp
	old := m.shared.Swap(m.put | fresh)
	m.put = old &^ fresh
	return old&fresh != 0
}

// take gives the newest setpoint if it has not been taken. It stays valid until the next take.
func (m *mailbox) take() *Setpoint {
	if m.shared.Load()&fresh == 0 {
		return nil
	}
	m.got = m.shared.Swap(m.got) &^ fresh
	return &m.slots[m.got]
}
