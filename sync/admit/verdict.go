package admit

import "unicode/utf8"

// Outcome is what becomes of a change.
type Outcome uint8

// The outcomes.
const (
	Admitted Outcome = iota
	Held             // kept until its author, or somebody trusted, confirms it
	Refused
)

func (o Outcome) String() string {
	switch o {
	case Admitted:
		return "admitted"
	case Held:
		return "held"
	}
	return "refused"
}

// How a change of another author came to be admitted.
const (
	Relayed  = "relayed"  // a device with the right to relay brought it
	Restored = "restored" // it came while the restore window was open
)

// Verdict is the judgement of one change.
type Verdict struct {
	Outcome Outcome
	Code    string // "" when admitted
	Reason  string // one sentence that names the field; "" when admitted
	Entry   string // the entry at fault, when there is one
	Device  string // the author's device
	How     string // Relayed or Restored, for an admitted change of another author
}

func refuse(code, reason string) *Verdict {
	return &Verdict{Outcome: Refused, Code: code, Reason: reason}
}

// about names the entry at fault. What cannot be an entry id is left out: a
// key of the network's choice can be of any length.
func (v *Verdict) about(entry string) *Verdict {
	if len(entry) <= maxQuote {
		v.Entry = entry
	}
	return v
}

const maxQuote = 40

// quote shortens a word from the network for a sentence.
func quote(s string) string {
	if len(s) <= maxQuote {
		return s
	}
	cut := maxQuote
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut] + "…"
}
