package logbook

import (
	"encoding/base64"
	"errors"
	"strings"
	"time"

	"gatewright/schema/canon"
	"gatewright/schema/num"
	"gatewright/schema/recur/wall"
)

// planField is one field of a plan item. The same table reads projections and
// judges single edits.
type planField[T any] struct {
	name string
	need bool
	// decides: the rules go by it, so an item in which it cannot be read is
	// left out. Other fields are for people; they fall back to nothing.
	decides bool
	into    func(t *T, v canon.Value, path string) *Problem
}

var siteFields = []planField[Site]{
	{"id", true, true, func(t *Site, v canon.Value, path string) (p *Problem) {
		t.ID, p = textOf(v, path, checkUUID)
		return p
	}},
	{"name", true, false, planText(func(t *Site) *string { return &t.Name }, upTo(120))},
	{"zone", true, true, planText(func(t *Site) *string { return &t.Zone }, zoneName)},
	{"tz", true, true, func(t *Site, v canon.Value, path string) *Problem {
		s, p := textOf(v, path, upTo(1<<16))
		if p != nil {
			return p
		}
		if strings.ContainsAny(s, "\r\n") { // which the decoder would skip
			return problem(path, "must be base64 in one line")
		}
		b, err := base64.StdEncoding.Strict().DecodeString(s)
		if err != nil {
			return problem(path, "must be base64")
		}
		// The name only labels the Location; the bytes decide.
		if _, err := time.LoadLocationFromTZData("site", b); err != nil {
			return relation(path, "must be a time-zone table (TZif)")
		}
		t.TZ = b
		return nil
	}},
	{"tzv", true, false, planText(func(t *Site) *string { return &t.TZVersion }, upTo(20))},
	{"milkings", false, true, func(t *Site, v canon.Value, path string) *Problem {
		list, p := embedded(v, path, 1<<15, canon.List)
		if p != nil {
			return p
		}
		t.Milkings, p = milkingPeriods(list, path)
		return p
	}},
	{"manual_after", false, true, planInt(func(t *Site) *int { return &t.ManualAfter }, 0, 10080)},
	{"quiet_after", false, true, planInt(func(t *Site) *int { return &t.QuietAfter }, 0, 20160)},
	{"lang", false, false, planText(func(t *Site) *string { return &t.Lang }, langTag)},
}

var gateFields = []planField[Gate]{
	{"name", true, false, planText(func(t *Gate) *string { return &t.Name }, upTo(120))},
	{"order", false, false, planInt(func(t *Gate) *int { return &t.Order }, -1e6, 1e6)},
	{"drive", false, false, planText(func(t *Gate) *string { return &t.Drive }, oneOf("air", "electric"))},
	{"layout", false, false, func(t *Gate, v canon.Value, path string) *Problem {
		if _, p := embedded(v, path, 1<<15, canon.Object); p != nil {
			return p
		}
		t.Layout = v.Str
		return nil
	}},
	{"indicators", false, false, func(t *Gate, v canon.Value, path string) *Problem {
		list, p := embedded(v, path, 1<<15, canon.List)
		if p != nil {
			return p
		}
		t.Indicators, p = indicators(list, path)
		return p
	}},
	{"learning", false, true, planInstant(func(t *Gate) *int64 { return &t.Learning })},
	{"rates", false, true, func(t *Gate, v canon.Value, path string) *Problem {
		list, p := embedded(v, path, 1<<12, canon.List)
		if p != nil {
			return p
		}
		t.Rates, p = ratePeriods(list, path)
		return p
	}},
	{"since", false, true, planInstant(func(t *Gate) *int64 { return &t.Since })},
	{"retired", false, true, planInstant(func(t *Gate) *int64 { return &t.Retired })},
}

var partFields = []planField[Part]{
	{"gate", true, true, planText(func(t *Part) *string { return &t.Gate }, itemID)},
	{"type", true, false, planText(func(t *Part) *string { return &t.Type }, wordID)},
	{"name", true, false, planText(func(t *Part) *string { return &t.Name }, upTo(120))},
	{"pos", false, false, func(t *Part, v canon.Value, path string) *Problem {
		obj, p := embedded(v, path, 200, canon.Object)
		if p != nil {
			return p
		}
		r := reader{v: obj, path: path}
		x, hasX := r.micro("x", -num.MicroMax)
		y, hasY := r.micro("y", -num.MicroMax)
		switch {
		case r.p != nil:
		case !hasX:
			r.p = problem(path+".x", "is missing")
		case !hasY:
			r.p = problem(path+".y", "is missing")
		default:
			t.HasPos, t.X, t.Y = true, x, y
		}
		return r.p
	}},
	{"order", false, false, planInt(func(t *Part) *int { return &t.Order }, -1e6, 1e6)},
	{"since", false, true, planInstant(func(t *Part) *int64 { return &t.Since })},
	{"retired", false, true, planInstant(func(t *Part) *int64 { return &t.Retired })},
}

var checkFields = []planField[Check]{
	{"gate", true, true, planText(func(t *Check) *string { return &t.Gate }, itemID)},
	{"part", false, true, planText(func(t *Check) *string { return &t.Part }, itemID)},
	{"name", true, false, planText(func(t *Check) *string { return &t.Name }, upTo(120))},
	{"kind", true, true, planText(func(t *Check) *CheckKind { return &t.Kind },
		oneOf("look", "number", "mode", "indicator", "count", "visit"))},
	{"cadence", false, true, func(t *Check, v canon.Value, path string) *Problem {
		list, p := embedded(v, path, 1<<15, canon.List)
		if p != nil {
			return p
		}
		t.Cadence, p = cadencePeriods(list, path)
		return p
	}},
	{"limits", false, true, func(t *Check, v canon.Value, path string) *Problem {
		list, p := embedded(v, path, 1<<15, canon.List)
		if p != nil {
			return p
		}
		t.Limits, p = limitPeriods(list, path)
		return p
	}},
	{"recheck", false, true, planInt(func(t *Check) *int { return &t.Recheck }, 1, 43200)},
	{"minutes", false, false, func(t *Check, v canon.Value, path string) (p *Problem) {
		t.Minutes, p = microOf(v, path, 0)
		return p
	}},
	{"how", false, false, planText(func(t *Check) *string { return &t.How }, upTo(4000))},
	{"cautions", false, false, func(t *Check, v canon.Value, path string) *Problem {
		list, p := embedded(v, path, 400, canon.List)
		if p != nil {
			return p
		}
		t.Cautions, p = cautions(list, path)
		return p
	}},
	{"source", false, false, planText(func(t *Check) *string { return &t.Source }, oneOf("c", "m", "e", "law"))},
	{"order", false, false, planInt(func(t *Check) *int { return &t.Order }, -1e6, 1e6)},
	{"since", false, true, planInstant(func(t *Check) *int64 { return &t.Since })},
	{"retired", false, true, planInstant(func(t *Check) *int64 { return &t.Retired })},
}

var roundFields = []planField[Round]{
	{"name", true, false, planText(func(t *Round) *string { return &t.Name }, upTo(120))},
	{"milking", false, false, planText(func(t *Round) *string { return &t.Milking }, itemID)},
	{"checks", true, true, func(t *Round, v canon.Value, path string) *Problem {
		list, p := embedded(v, path, 1<<14, canon.List)
		if p != nil {
			return p
		}
		t.Checks, p = wordsOf(list, path, 0, 500, itemID)
		return p
	}},
	{"order", false, false, planInt(func(t *Round) *int { return &t.Order }, -1e6, 1e6)},
	{"since", false, true, planInstant(func(t *Round) *int64 { return &t.Since })},
	{"retired", false, true, planInstant(func(t *Round) *int64 { return &t.Retired })},
}

func planText[T any, S ~string](at func(*T) *S, r rule) func(*T, canon.Value, string) *Problem {
	return func(t *T, v canon.Value, path string) *Problem {
		s, p := textOf(v, path, r)
		if p == nil {
			*at(t) = S(s)
		}
		return p
	}
}

func planInt[T any](at func(*T) *int, low, high int64) func(*T, canon.Value, string) *Problem {
	return func(t *T, v canon.Value, path string) *Problem {
		n, p := wholeOf(v, path, low, high)
		if p == nil {
			*at(t) = int(n)
		}
		return p
	}
}

func planInstant[T any](at func(*T) *int64) func(*T, canon.Value, string) *Problem {
	return func(t *T, v canon.Value, path string) *Problem {
		n, p := instantOf(v, path, true)
		if p == nil {
			*at(t) = n
		}
		return p
	}
}

// zoneName has the form of an IANA name. Whether it exists is for the server
// to know, which looks it up.
func zoneName(name, s string) *Problem {
	ok := len(s) <= 64 && (s[0]|0x20 >= 'a' && s[0]|0x20 <= 'z')
	for i := range len(s) {
		c := s[i]
		ok = ok && (c|0x20 >= 'a' && c|0x20 <= 'z' || c >= '0' && c <= '9' || c == '/' || c == '_' || c == '-' || c == '+')
	}
	if !ok {
		return problem(name, "must be the name of a time zone, such as Europe/Dublin")
	}
	return nil
}

func langTag(name, s string) *Problem {
	ok := len(s) >= 2 && len(s) <= 35
	for i := range len(s) {
		c := s[i]
		ok = ok && (c|0x20 >= 'a' && c|0x20 <= 'z' || i > 0 && (c >= '0' && c <= '9' || c == '-'))
	}
	if !ok {
		return problem(name, "must be a language tag, such as en or pt-BR")
	}
	return nil
}

// embedded reads a fact of several parts, which the plan holds as one string
// of canonical JSON so that its parts cannot be merged apart.
func embedded(v canon.Value, path string, most int, want canon.Kind) (canon.Value, *Problem) {
	s, p := textOf(v, path, upTo(most))
	if p != nil {
		return canon.Value{}, p
	}
	inner, err := canon.Parse([]byte(s))
	if err != nil {
		return canon.Value{}, notJSON("", path, err)
	}
	if inner.Kind != want {
		return canon.Value{}, problem(path, "must hold "+want.String()+", not "+inner.Kind.String())
	}
	if string(canon.Append(nil, inner)) != s {
		return canon.Value{}, relation(path, "is not in its canonical form (RFC 8785)")
	}
	return inner, nil
}

// The collections of the plan.
const (
	SiteCollection   = "site"
	GatesCollection  = "gates"
	PartsCollection  = "parts"
	ChecksCollection = "checks"
	RoundsCollection = "rounds"
)

// Collections lists them in the order of the plan's story.
func Collections() []string {
	return []string{SiteCollection, GatesCollection, PartsCollection, ChecksCollection, RoundsCollection}
}

// PlanFields lists the fields of a collection, or none.
func PlanFields(collection string) []string {
	switch collection {
	case SiteCollection:
		return names(siteFields)
	case GatesCollection:
		return names(gateFields)
	case PartsCollection:
		return names(partFields)
	case ChecksCollection:
		return names(checkFields)
	case RoundsCollection:
		return names(roundFields)
	}
	return nil
}

func names[T any](fields []planField[T]) []string {
	out := make([]string, len(fields))
	for i := range fields {
		out[i] = fields[i].name
	}
	return out
}

// CheckPlanField judges one scalar that is about to be written to a field of
// the plan, alone: whether it fits its neighbours shows only in the whole plan
// (a merge can part them in any case), and ParsePlan lists that. Byte strings
// are given as base64 text, as in a projection. null clears a field that need
// not be there.
func CheckPlanField(collection, field string, v canon.Value) *Problem {
	switch collection {
	case SiteCollection:
		return checkOne(siteFields, collection, field, v)
	case GatesCollection:
		return checkOne(gateFields, collection, field, v)
	case PartsCollection:
		return checkOne(partFields, collection, field, v)
	case ChecksCollection:
		if p := checkOne(checkFields, collection, field, v); p != nil || field != "cadence" {
			return p
		}
		return checkRecurrences(field, v)
	case RoundsCollection:
		return checkOne(roundFields, collection, field, v)
	}
	return &Problem{Field: collection, Detail: "the plan has no collection " + shown(collection)}
}

func checkOne[T any](fields []planField[T], collection, name string, v canon.Value) *Problem {
	for i := range fields {
		f := &fields[i]
		if f.name != name {
			continue
		}
		if v.Kind == canon.Null && !f.need {
			return nil
		}
		return f.into(new(T), v, name)
	}
	return &Problem{Field: name, Detail: collection + " has no field " + shown(name)}
}

// shown is a name from outside as it may stand in a sentence.
func shown(name string) string {
	if !isWord(strings.ReplaceAll(name, "_", "-"), 32) {
		return "of that name"
	}
	return name
}

// checkRecurrences reads the recurrence rules of a cadence that is about to be
// written. In a whole plan one that cannot be read has no boundaries, so that
// a plan costs nothing to read.
func checkRecurrences(field string, v canon.Value) *Problem {
	var c Check
	for i := range checkFields {
		if f := &checkFields[i]; f.name == field && v.Kind != canon.Null {
			if p := f.into(&c, v, field); p != nil {
				return p
			}
		}
	}
	for i := range c.Cadence {
		k := &c.Cadence[i]
		if k.Every != EveryCalendar {
			continue
		}
		_, err := wall.Parse(k.Rule, k.Start)
		if p := (*wall.Problem)(nil); errors.As(err, &p) {
			return relation(index(field, i)+"."+p.Field, p.Message)
		}
	}
	return nil
}
