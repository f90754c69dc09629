package scpi

// Meaning is what a standard number of the error queue means and what usually helps,
// for people who see it; false for numbers that are the instrument's own (positive
// ones) or not listed here. Of a number that is not listed its class is told (-1xx
// command, -2xx execution, -3xx device, -4xx query). SCPI-99 vol. 2 ch. 21.8, from
// memory: check against your copy.
func Meaning(code int) (meaning, cure string, ok bool) {
	if m, ok := meanings[code]; ok {
		return m.says, m.cure, true
	}
	switch {
	case code <= -100 && code > -200:
		return "a command error: it could not be parsed", dialectCure, true
	case code <= -200 && code > -300:
		return "an execution error: it was understood and could not be done", "compare the settings with what the instrument can do now", true
	case code <= -300 && code > -400:
		return "a fault of the instrument itself", "look at its display; switch it off and on", true
	case code <= -400 && code > -500:
		return "a query error: question and answer are out of step", stepCure, true
	}
	return "", "", false
}

const (
	dialectCure = "the dialect sends something that this instrument does not know: compare it with the instrument's manual"
	rangeCure   = "ask for a value within the instrument's range"
	stepCure    = "the link is set up anew; if it comes again, let the dialect wait longer or send one command a line"
)

var meanings = map[int]struct{ says, cure string }{
	-101: {"invalid character", dialectCure},
	-102: {"syntax error", dialectCure},
	-104: {"a parameter of the wrong type, such as a word for a number", dialectCure},
	-108: {"more parameters than the command takes", dialectCure},
	-109: {"a parameter is missing", dialectCure},
	-113: {"a command header that the instrument does not have", dialectCure},
	-131: {"a unit that the instrument does not know", dialectCure},
	-138: {"no unit may stand there", dialectCure},
	-200: {"it could not be done in the present state", "compare the settings with what the instrument can do now"},
	-213: {"a start was ignored: a sweep was going on already", "let the dialect stop sweeping before it starts one"},
	-221: {"a setting conflicts with others", "change RBW, span or attenuation so that they fit each other"},
	-222: {"a value out of range", rangeCure},
	-224: {"a value that is none of those allowed", rangeCure},
	-230: {"the data are void or stale: nothing was measured since a change", "take a sweep before the trace is read"},
	-240: {"a hardware error", "look at the instrument's display; have it checked"},
	-310: {"a system error", "switch the instrument off and on"},
	-350: {"the error queue ran over: older errors are lost", "the first error is the one to look for"},
	-363: {"the input buffer ran over", "state link.max_line_bytes or min_gap in the dialect"},
	-365: {"the instrument waited too long for the end of a command", "check the line end (link.write_end) in the dialect"},
	-400: {"question and answer are out of step", stepCure},
	-410: {"an answer was interrupted by the next command", stepCure},
	-420: {"an answer was asked for that no question had been sent for", stepCure},
	-430: {"both sides wait for each other: its buffers are full", stepCure},
	-440: {"a question followed one whose answer has no stated end", stepCure},
	-500: {"it was switched on", "its settings are lost: they are set again"},
}
