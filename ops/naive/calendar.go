package naive

import (
	"time"

	"github.com/teambition/rrule-go"
)

// recurrence is a calendar period's rule in floating time: its local times are
// written as if they were UTC. It is nil when the rule cannot be read.
func (p cadencePeriod) recurrence() *rrule.RRule {
	start, err := time.Parse("2006-01-02T15:04:05", p.Start)
	if err != nil {
		return nil
	}
	option, err := rrule.StrToROptionInLocation(p.Rule, time.UTC)
	if err != nil {
		return nil
	}
	option.Dtstart = start
	rule, err := rrule.NewRRule(*option)
	if err != nil {
		return nil
	}
	return rule
}

// calendar are the boundaries B of a calendar period with lo < B <= hi.
func (s *Site) calendar(p cadencePeriod, lo, hi int64) []int64 {
	rule := p.recurrence()
	if rule == nil {
		return nil
	}
	set := map[int64]bool{}
	floating := func(t int64) time.Time { return time.UnixMilli(s.wall(t)).UTC() }
	for _, local := range rule.Between(floating(lo-3*day), floating(hi+3*day), true) {
		if b := s.instant(local.UnixMilli()); lo < b && b <= hi {
			set[b] = true
		}
	}
	return sortedInstants(set)
}
