package config

// Clock says whether the system's word on its wall clock is asked for.
type Clock string

const (
	ClockDefault Clock = ""        // checked where the system can be asked, else trusted
	ClockChecked Clock = "checked" // samples are marked while the system calls its clock unsynchronised
	ClockTrusted Clock = "trusted" // something else keeps the clock
)

func readClock(t *table) Clock {
	return Clock(t.oneOf(ask{"clock", `"checked"`, false}, string(ClockChecked), string(ClockTrusted)))
}
