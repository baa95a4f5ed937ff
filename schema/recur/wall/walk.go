package wall

import "gatewright/schema/num"

// periodOf numbers the periods of the rule's frequency: years, months since
// January of year 0, weeks, days, hours, minutes, seconds.
func (r *Rule) periodOf(at int64) int64 {
	date := num.FloorDiv(at, day)
	switch r.Freq {
	case Yearly:
		y, _, _ := civil(date)
		return y
	case Monthly:
		y, m, _ := civil(date)
		return y*12 + int64(m) - 1
	case Weekly:
		return num.FloorDiv(date+3-int64(r.Wkst), 7)
	}
	return num.FloorDiv(at, r.unit())
}

// unit is the length in seconds of a period no longer than a day.
func (r *Rule) unit() int64 {
	switch r.Freq {
	case Secondly:
		return 1
	case Minutely:
		return 60
	case Hourly:
		return 3600
	}
	return day
}

// span are the dates of a period, the last not included.
func (r *Rule) span(p int64) (first, end int64) {
	switch r.Freq {
	case Yearly:
		return dateOf(p, 1, 1), dateOf(p+1, 1, 1)
	case Monthly:
		y, m := num.FloorDiv(p, 12), int(num.FloorMod(p, 12))+1
		first = dateOf(y, m, 1)
		return first, first + int64(daysInMonth(y, m))
	case Weekly:
		first = p*7 - 3 + int64(r.Wkst)
		return first, first + 7
	}
	first = num.FloorDiv(p*r.unit(), day)
	return first, first + 1
}

// forward yields the occurrences from a second on. It is false when the steps
// ran out.
func (r *Rule) forward(from int64, yield func(at int64) bool) bool {
	from = max(from, r.start)
	if from > r.end {
		return true
	}
	first := r.periodOf(r.start)
	p := first - num.FloorDiv(first-r.periodOf(from), r.Interval)*r.Interval
	for {
		start, end := r.span(p)
		if max(start*day, r.begin(p)) > r.end {
			return true
		}
		if r.expand(p); r.stepsLow < 0 {
			return false
		}
		for i, n := r.search(from), r.size(); i < n; i++ {
			at := r.at(i)
			if at > r.end {
				return true
			}
			if r.stepsLow--; r.stepsLow < 0 {
				return false
			}
			if !yield(at) {
				return true
			}
		}
		p += r.Interval
		if to := r.skip(p-r.Interval, end); to > p {
			p -= num.FloorDiv(p-to, r.Interval) * r.Interval
		}
	}
}

// begin is the first second of a period no longer than a day.
func (r *Rule) begin(p int64) int64 {
	if r.Freq < Daily {
		return -1 << 62
	}
	return p * r.unit()
}

// skip is the first period after p, of those within a day, that need not be
// looked at for nothing: end is the day after p's.
func (r *Rule) skip(p, end int64) int64 {
	switch {
	case r.Freq < Hourly || len(r.days) > 0:
		return p
	case !r.match(end - 1):
		return num.FloorDiv(end*day, r.unit())
	}
	second := num.FloorMod(p*r.unit(), day)
	if r.Freq > Hourly && r.ByHour != nil && !has(r.ByHour, second/3600) {
		return num.FloorDiv((end-1)*day+(second/3600+1)*3600, r.unit())
	}
	if r.Freq > Minutely && r.ByMinute != nil && !has(r.ByMinute, second/60%60) {
		return (end-1)*day + (second/60+1)*60
	}
	return p
}

// expand finds the period's days and which of its times BYSETPOS chooses.
func (r *Rule) expand(p int64) {
	if r.known && r.period == p {
		r.stepsLow--
		return
	}
	first, end := r.span(p)
	r.stepsLow -= end - first
	r.days, r.chosen, r.base = r.days[:0], r.chosen[:0], 0
	r.known, r.period = true, p
	if r.Freq >= Hourly {
		r.base = num.FloorMod(p*r.unit(), day)
		if r.ByHour != nil && !has(r.ByHour, r.base/3600) ||
			r.Freq >= Minutely && r.ByMinute != nil && !has(r.ByMinute, r.base/60%60) ||
			r.Freq >= Secondly && r.BySecond != nil && !has(r.BySecond, r.base%60) {
			return
		}
	}
	for d := first; d < end; d++ {
		if r.match(d) {
			r.days = append(r.days, d)
		}
	}
	if r.BySetPos == nil {
		return
	}
	r.stepsLow -= int64(len(r.BySetPos))
	all := len(r.days) * len(r.times)
	for _, pos := range r.BySetPos {
		if pos < 0 {
			pos += all + 1
		}
		if pos >= 1 && pos <= all {
			r.chosen = insert(r.chosen, pos-1)
		}
	}
}

// size is the number of occurrences in the period that was expanded, at the
// second of its i-th.
func (r *Rule) size() int {
	if r.BySetPos != nil {
		return len(r.chosen)
	}
	return len(r.days) * len(r.times)
}

func (r *Rule) at(i int) int64 {
	if r.BySetPos != nil {
		i = r.chosen[i]
	}
	return r.days[i/len(r.times)]*day + r.base + r.times[i%len(r.times)]
}

// search is the first i whose occurrence is not before a second.
func (r *Rule) search(from int64) int {
	low, high := 0, r.size()
	for low < high {
		if mid := (low + high) / 2; r.at(mid) < from {
			low = mid + 1
		} else {
			high = mid
		}
	}
	return low
}

// match says whether all parts about days hold on a date.
func (r *Rule) match(date int64) bool {
	w := weekday(date)
	if r.ByDay != nil && r.nth == nil && r.weekdays&(1<<w) == 0 {
		return false
	}
	y, m, d := civil(date)
	if r.ByMonth != nil && r.months&(1<<m) == 0 {
		return false
	}
	if r.ByMonthDay != nil && r.monthDays&(1<<d) == 0 && r.monthEnd&(1<<(daysInMonth(y, m)+1-d)) == 0 {
		return false
	}
	if r.ByYearDay == nil && r.ByWeekNo == nil && r.nth == nil {
		return true
	}
	yd := int(date-dateOf(y, 1, 1)) + 1
	if r.ByYearDay != nil && !has(r.ByYearDay, int64(yd)) && !has(r.ByYearDay, int64(yd-daysInYear(y)-1)) {
		return false
	}
	if r.ByWeekNo != nil {
		front, back := weekNumber(date, r.Wkst)
		if !has(r.ByWeekNo, int64(front)) && !has(r.ByWeekNo, int64(back)) {
			return false
		}
	}
	if r.nth == nil || r.weekdays&(1<<w) != 0 {
		return true
	}
	n, of := yd, daysInYear(y)
	if r.nthInMonth {
		n, of = d, daysInMonth(y, m)
	}
	front, back := (n-1)/7+1, -(of-n)/7-1
	for _, x := range r.nth {
		if x.Weekday == w && (x.N == front || x.N == back) {
			return true
		}
	}
	return false
}

// has says whether an ascending list holds a number.
func has(list []int, n int64) bool {
	low, high := 0, len(list)
	for low < high {
		if mid := (low + high) / 2; int64(list[mid]) < n {
			low = mid + 1
		} else {
			high = mid
		}
	}
	return low < len(list) && int64(list[low]) == n
}
