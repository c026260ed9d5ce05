package terminal

import "fmt"

// Cautions is what is said before a real seat is armed. There is nothing to skip it by; the caller waits for Confirm.
func Cautions() []string {
	return []string{
		"Before this seat moves",
		"",
		"This program is not an emergency stop, and neither it nor the seat's controller carries any safety rating.",
		"What stops the seat whatever the software does is the switch in the motor supply. It must cut the motors' power by itself,",
		"wired without the computer and without the controller, and somebody's hand must be able to reach it all the time.",
		"Without power the seat may fall: brake, balance or buffers must hold it.",
		"",
		"- Try the switch now: press it, see that the motors let go, and switch on again. Then home the seat again.",
		"- Nobody and nothing is near the cranks, the rods or the gap under the seat; children and animals are out of the room.",
		"- The rider wears the belt, and hands, hair, cables and clothes stay inside the seat.",
		"- The first rides are short, at reduced intensity, with a grown-up who knows this seat, and an observer at the switch.",
		"- Not for riders who are pregnant, ill, or have a weak back, neck or heart. Stop at the first discomfort.",
		"",
		"Local codes and the practice of licensed people go before anything said here.",
	}
}

// SizedFor says up to which rider's mass, kg, the seat is sized; 0 where nobody said.
func SizedFor(mass float64) string {
	if !(mass > 0) {
		return "Nobody has said for which rider this seat is strong enough: its file has no [load]. Let perch commission sizing check it first."
	}
	return fmt.Sprintf("This seat is sized for riders up to %.4g kg. Nobody heavier sits in it.", mass)
}

// SupplyTest is what asks for the test of the supply switch, before the first arming of a day.
func SupplyTest() []string {
	return []string{
		"Test of the motor supply's switch, with nobody on the seat",
		"1. Press the switch. The motors must let go, and the controller must report SUPPLY_OFF.",
		"2. Release the switch. The seat must not move; it must ask to be homed.",
		"3. Home the seat again with h.",
		"If any of this is otherwise, do not ride: mend the wiring first.",
	}
}

// CountdownSeconds is how long a real seat waits between arming and its first movement.
const CountdownSeconds = 5

// Countdown is the line for so many whole seconds before the first movement, with the terminal's bell.
func Countdown(left int) string {
	switch {
	case left <= 0:
		return "The seat moves now. Esc or space stops it.\a"
	case left == 1:
		return "The seat may move in 1 second. Esc or space stops it.\a"
	}
	return fmt.Sprintf("The seat may move in %d seconds. Esc or space stops it.\a", left)
}

// OneWay is what is said at every arming of a seat whose controller answers nothing. stops says that it was seen to stop by
// itself.
func OneWay(stops bool) []string {
	lines := []string{"This controller answers nothing: nobody knows from here where the seat is, or whether it follows. Stop is a braking and then silence."}
	if stops {
		return append(lines, "Its commissioning record says that it stops by itself when setpoints end.")
	}
	return append(lines, "Nobody has seen it stop by itself when setpoints end: reduced speed and half the travel. Hand on the supply switch.")
}
