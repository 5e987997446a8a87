package survey

// What is said of harm, word for word wherever it stands.
const (
	// StepBack stands first while a value is above the limit, and after.
	StepBack = "Step back now. Stop the oven at its control or the wall switch. Do not put face or hands near the door."
	// Lethal stands on every page that says 'exceeds'.
	Lethal = "Do not open the cabinet; lethal voltage can remain after unplugging. Licensed service only."
	// Causes says who may look at what.
	Causes = "Dirt or visible damage at the door may be looked at, with the oven unplugged; hinge, latch and screen are for licensed service."
)

// Cautions are those before and during every survey.
func Cautions() []string {
	return []string{
		"Never defeat an interlock of the door.",
		"Never run the oven empty.",
		"Water may be superheated and boil up when it is moved: let it stand, and take it out with care.",
		"Wearers of implants such as pacemakers keep away from the oven while it runs.",
		"Hold the probe by its grip, and keep face and hands away from the door.",
		"Keep this phone at least 1 m from the probe, with its 2.4 GHz radios (WLAN, Bluetooth) off: at 10 cm it can read as a leak. A lost connection does no harm: the survey goes on at the station.",
	}
}

// PullCaution stands beside the sweeps with somebody pulling on the closed door.
const PullCaution = "Pulling on the closed door is for a trained person, at arm's length, and only after a clean pass with the door left alone. Stop pulling before the door opens."

// ExceedsCautions are those of a place or an oven that exceeds.
func ExceedsCautions() []string { return []string{StepBack, Lethal, Causes} }
