package phases

// EventWords names the events in plain words, for notes, pages and pictures alike.
var EventWords = map[EventName]string{
	Stance:      "Stance",
	LeadFootOff: "Front foot up",
	Load:        "Load",
	FootDown:    "Foot down",
	HeelDown:    "Heel down",
	HandsStart:  "Hands start",
	Contact:     "Contact",
	Extension:   "Extension",
	Finish:      "Finish",
}
