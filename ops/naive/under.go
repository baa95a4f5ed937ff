package naive

import "slices"

// causes are, for each rule of a check, the rules of the same check under
// which it stands, the first that is listed counting.
var causes = map[string][]string{
	"near":     {"limit", "doubt", "shift", "drift"},
	"drift":    {"limit", "doubt", "shift"},
	"shift":    {"limit", "doubt"},
	"doubt":    {"limit"},
	"disagree": {"limit"},
	"visit":    {"overdue"},
}

// under is the subject of the flag under which f stands, or "".
func under(f *flag, listed []*flag) string {
	stands := func(rule string, is func(o *flag) bool) string {
		for _, o := range listed {
			if o.rule == rule && o.raised < f.cleared && f.raised < o.cleared && is(o) {
				return o.fields["subject"].(string)
			}
		}
		return ""
	}
	for _, rule := range causes[f.rule] {
		if s := stands(rule, func(o *flag) bool { return o.fields["check"] == f.fields["check"] }); s != "" {
			return s
		}
	}
	site := func(o *flag) bool { return o.fields["subject"] == "quiet/site" }
	switch f.rule {
	case "quiet":
		if !site(f) {
			return stands("quiet", site)
		}
	case "overdue":
		return stands("quiet", func(o *flag) bool {
			return site(o) && f.raised > o.fields["params"].(object)["since"].(int64)
		})
	case "fault":
		return stands("repeat", func(o *flag) bool {
			return o.fields["gate"] == f.fields["gate"] && slices.Contains(o.fields["entries"].([]any), any(f.target))
		})
	}
	return ""
}
