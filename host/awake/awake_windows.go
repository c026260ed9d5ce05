package awake

import (
	"errors"
	"runtime"

	"golang.org/x/sys/windows"
)

// The flags of SetThreadExecutionState.
const (
	continuous      = 0x80000000
	systemRequired  = 0x00000001
	displayRequired = 0x00000002
)

// keep sets the execution state of a thread, which counts for as long as the thread lives and does not change it.
func keep(string) (func(), error) {
	set := windows.NewLazySystemDLL("kernel32.dll").NewProc("SetThreadExecutionState")
	if err := set.Find(); err != nil {
		return nil, err
	}
	began, end, ended := make(chan bool), make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		before, _, _ := set.Call(continuous | systemRequired | displayRequired)
		began <- before != 0
		<-end
		_, _, _ = set.Call(continuous)
	}()
	if !<-began {
		close(end)
		return nil, errors.New("the system refused to stay awake")
	}
	return func() { close(end); <-ended }, nil
}
