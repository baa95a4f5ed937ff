package logbook

import (
	"gatewright/schema/num"
)

// Offsets of clocks are bounded by the span of the logbook's years and the
// epoch, in which a phone with an empty battery wakes up.
const maxOffset = LastInstant

var commonFields = []field{
	needed(entryID("id", func(e *Entry) *string { return (*string)(&e.ID) })),
	version,
	needed(text("kind", func(e *Entry) *string { return (*string)(&e.Kind) }, knownKind)),
	needed(instant("at", func(e *Entry) *int64 { return &e.At })),
	whole("off", func(e *Entry) *int64 { return &e.Off }, -maxOffset, maxOffset),
	needed(text("by", func(e *Entry) *string { return &e.By }, personID)),
	needed(text("dev", func(e *Entry) *string { return &e.Dev }, deviceID)),
	text("gate", func(e *Entry) *string { return &e.Gate }, itemID),
	text("part", func(e *Entry) *string { return &e.Part }, itemID),
	text("check", func(e *Entry) *string { return &e.Check }, itemID),
	text("visit", func(e *Entry) *string { return &e.Visit }, tagID),
	text("round", func(e *Entry) *string { return &e.Round }, itemID),
	entryID("replaces", func(e *Entry) *string { return (*string)(&e.Replaces) }),
}

var version = field{name: "v", form: versionForm, need: true}

func knownKind(name, s string) *Problem {
	if specOf(Kind(s)) == nil {
		return problem(name, "is unknown")
	}
	return nil
}

// spec is what one kind holds beside the common fields.
type spec struct {
	kind   Kind
	needs  []string // common fields that must be there
	fields []field
	all    []*field // with the common ones, by name
	// relate judges what no single field can, after all were read.
	relate func(e *Entry) *Problem
}

var kinds = []spec{
	{kind: Tick, needs: []string{"check"}, fields: []field{truth("bad", func(e *Entry) *bool { return &e.Bad }), words0}},
	{kind: Reading, needs: []string{"check"}, fields: []field{value, unitField, marks, method,
		decimals("repeats", func(e *Entry) *[]num.Micro { return &e.Repeats }, 20),
		decimal("u", func(e *Entry) *num.Micro { return &e.U }, func(e *Entry) *bool { return &e.HasU }, 0),
		truth("before", func(e *Entry) *bool { return &e.Before }),
		truth("baseline", func(e *Entry) *bool { return &e.Baseline }),
	}, relate: func(e *Entry) *Problem {
		switch {
		case e.HasValue && e.Marks != "":
			return problem("marks", "cannot stand beside value: a reading is one or the other")
		case !e.HasValue && e.Marks == "":
			return problem("value", "is missing, and so is marks")
		case e.HasValue && e.Unit == "":
			return problem("unit", "is missing beside value")
		}
		return nil
	}},
	{kind: Indication, needs: []string{"gate"}, fields: []field{
		needed(text("indicator", func(e *Entry) *string { return &e.Indicator }, wordID)),
		needed(text("state", func(e *Entry) *string { return &e.State }, wordID)),
	}},
	{kind: ModeSeen, needs: []string{"gate"}, fields: []field{
		needed(text("mode", func(e *Entry) *string { return &e.Mode }, oneOf("automatic", "manual"))),
	}},
	{kind: Tally, needs: []string{"gate"}, fields: []field{
		must(whole("hits", func(e *Entry) *int64 { return &e.Hits }, 0, 1e9)),
		must(whole("trials", func(e *Entry) *int64 { return &e.Trials }, 1, 1e9)),
	}, relate: func(e *Entry) *Problem { return notAbove("hits", e.Hits, "trials", e.Trials) }},
	{kind: Note, fields: []field{words0, chips}, relate: textOrChips},
	{kind: Attachment, fields: []field{
		needed(text("sha256", func(e *Entry) *string { return &e.SHA256 }, digest)),
		needed(text("type", func(e *Entry) *string { return &e.Type },
			oneOf("image/jpeg", "image/webp", "image/png", "audio/webm", "audio/mp4", "audio/ogg"))),
		must(whole("bytes", func(e *Entry) *int64 { return &e.Bytes }, 1, 1<<30)),
		of,
		whole("seconds", func(e *Entry) *int64 { return &e.Seconds }, 1, 3600),
	}},
	{kind: Fault, needs: []string{"gate"}, fields: []field{
		needed(text("seen", func(e *Entry) *string { return &e.Seen }, wordID)),
		words0,
		truth("stops", func(e *Entry) *bool { return &e.Stops }),
	}},
	{kind: Fixed, fields: []field{needed(of), words0}},
	{kind: Handover, fields: []field{words0, chips,
		text("to", func(e *Entry) *string { return &e.ToMilking }, itemID),
	}, relate: textOrChips},
	{kind: Seen, fields: []field{needed(of)}},
	{kind: Park, needs: []string{"gate"}, fields: []field{must(truth("out", func(e *Entry) *bool { return &e.Out })), words0}},
	{kind: Event, fields: []field{
		needed(text("event", func(e *Entry) *string { return &e.Event },
			oneOf(events...))),
	}},
	{kind: Take, fields: []field{flag}},
	{kind: Handback, fields: []field{flag}},
	{kind: Dismiss, fields: []field{flag, needed(why)}},
	{kind: Void, fields: []field{needed(of), why}},
	{kind: Isolate, needs: []string{"gate"}, fields: []field{
		needed(words("steps", func(e *Entry) *[]string { return &e.Steps }, 5, oneOf("isolate", "lock", "vent", "try", "pin"))),
	}},
	{kind: Fitting, needs: []string{"part"}, fields: []field{
		needed(text("item", func(e *Entry) *string { return &e.Item }, upTo(200))),
		text("serial", func(e *Entry) *string { return &e.Serial }, upTo(100)),
		text("removed", func(e *Entry) *string { return &e.Removed }, upTo(100)),
		wholeIf("passes", func(e *Entry) *int64 { return &e.Passes }, func(e *Entry) *bool { return &e.HasPasses }, 0, 1e12),
		text("warranty", func(e *Entry) *string { return &e.Warranty }, day),
		text("finding", func(e *Entry) *string { return &e.Finding }, upTo(MaxText)),
	}},
	{kind: Taught, fields: []field{
		needed(text("person", func(e *Entry) *string { return &e.Person }, personID)),
		needed(text("topic", func(e *Entry) *string { return &e.Topic }, wordID)),
		needed(text("step", func(e *Entry) *string { return &e.Step }, oneOf("shown", "done", "taught-back"))),
	}},
	{kind: Visit, needs: []string{"visit"}, fields: []field{
		needed(text("state", func(e *Entry) *string { return &e.State }, oneOf("opened", "closed"))),
		text("purpose", func(e *Entry) *string { return &e.Purpose }, wordID),
		words0,
	}},
	{kind: Sign, needs: []string{"visit"}, fields: []field{needed(jws)}},
	{kind: Receipt, fields: []field{needed(of), needed(jws)}},
	{kind: MilkingSum, needs: []string{"gate"}, fields: []field{
		needed(instant("from", func(e *Entry) *int64 { return &e.From })),
		needed(instant("to", func(e *Entry) *int64 { return &e.To })),
		must(whole("passages", func(e *Entry) *int64 { return &e.Passages }, 0, 1e9)),
		must(whole("read", func(e *Entry) *int64 { return &e.Read }, 0, 1e9)),
		must(whole("sorted", func(e *Entry) *int64 { return &e.Sorted }, 0, 1e9)),
		wholeIf("wrong", func(e *Entry) *int64 { return &e.Wrong }, func(e *Entry) *bool { return &e.HasWrong }, 0, 1e9),
		wholeIf("followers", func(e *Entry) *int64 { return &e.Followers }, func(e *Entry) *bool { return &e.HasFollowers }, 0, 1e9),
	}, relate: func(e *Entry) *Problem {
		if e.To <= e.From {
			return relation("to", "must be later than from")
		}
		for _, c := range []struct {
			name string
			n    int64
		}{{"read", e.Read}, {"sorted", e.Sorted}, {"wrong", e.Wrong}, {"followers", e.Followers}} {
			if p := notAbove(c.name, c.n, "passages", e.Passages); p != nil {
				return p
			}
		}
		return nil
	}},
	{kind: Survey, fields: []field{
		needed(text("survey", func(e *Entry) *string { return &e.Survey }, tagID)),
		text("point", func(e *Entry) *string { return &e.Point }, tagID),
		decimal("x", func(e *Entry) *num.Micro { return &e.X }, func(e *Entry) *bool { return &e.HasX }, -num.MicroMax),
		decimal("y", func(e *Entry) *num.Micro { return &e.Y }, func(e *Entry) *bool { return &e.HasY }, -num.MicroMax),
		value, unitField,
		decimal("height", func(e *Entry) *num.Micro { return &e.Height }, func(e *Entry) *bool { return &e.HasHeight }, -num.MicroMax),
		words0,
	}, relate: func(e *Entry) *Problem {
		if e.HasValue && e.Unit == "" {
			return problem("unit", "is missing beside value")
		}
		return nil
	}},
	{kind: Clock, fields: []field{
		needed(text("device", func(e *Entry) *string { return &e.Device }, deviceID)),
		must(whole("offset", func(e *Entry) *int64 { return &e.Offset }, -maxOffset, maxOffset)),
	}},
	{kind: Admitted, fields: []field{needed(of),
		needed(text("how", func(e *Entry) *string { return &e.How }, oneOf("relayed", "restored", "accepted"))),
		text("via", func(e *Entry) *string { return &e.Via }, deviceID),
	}},
}

// events are what an event entry can be about.
var events = []string{"power-cut", "wash-down", "frost", "air-off", "animals-new"}

// Fields that several kinds have.
var (
	words0 = text("text", func(e *Entry) *string { return &e.Text }, upTo(MaxText))
	why    = text("why", func(e *Entry) *string { return &e.Why }, upTo(MaxText))
	chips  = words("chips", func(e *Entry) *[]string { return &e.Chips }, 16, wordID)
	of     = entryID("of", func(e *Entry) *string { return (*string)(&e.Of) })
	flag   = needed(text("flag", func(e *Entry) *string { return &e.Flag }, subject))
	jws    = text("jws", func(e *Entry) *string { return &e.JWS }, compactJWS)
	value  = decimal("value", func(e *Entry) *num.Micro { return &e.Value }, func(e *Entry) *bool { return &e.HasValue }, -num.MicroMax)
	marks  = text("marks", func(e *Entry) *string { return &e.Marks }, oneOf("below", "between", "above"))
	method = text("method", func(e *Entry) *string { return &e.Method },
		oneOf("gauge", "thumb", "sound", "video", "pole", "level"))
	unitField = text("unit", func(e *Entry) *string { return &e.Unit }, unit)
)

// Kinds lists all kinds, in the order of their table.
func Kinds() []Kind {
	out := make([]Kind, len(kinds))
	for i := range kinds {
		out[i] = kinds[i].kind
	}
	return out
}

func specOf(k Kind) *spec {
	for i := range kinds {
		if kinds[i].kind == k {
			return &kinds[i]
		}
	}
	return nil
}

func notAbove(name string, n int64, other string, most int64) *Problem {
	if n > most {
		return relation(name, "must not be greater than "+other)
	}
	return nil
}

func textOrChips(e *Entry) *Problem {
	if e.Text == "" && len(e.Chips) == 0 {
		return problem("text", "is missing, and so are chips")
	}
	return nil
}

// relations judges what holds between fields.
func (e *Entry) relations(s *spec) *Problem {
	for _, name := range s.needs {
		if e.common(name) == "" {
			return problem(name, "is missing")
		}
	}
	if s.relate != nil {
		if p := s.relate(e); p != nil {
			return p
		}
	}
	// An entry may only speak about what was there before it: otherwise two
	// entries could void each other, and order would decide.
	if e.Of != "" && e.Of >= e.ID {
		return relation("of", "must name an earlier entry than id")
	}
	if e.Replaces != "" && e.Replaces >= e.ID {
		return relation("replaces", "must name an earlier entry than id")
	}
	if (e.By == Server) != (e.Dev == Server) {
		return relation("dev", "must be server exactly when by is")
	}
	return nil
}

func (e *Entry) common(name string) string {
	switch name {
	case "gate":
		return e.Gate
	case "part":
		return e.Part
	case "check":
		return e.Check
	case "visit":
		return e.Visit
	}
	return ""
}
