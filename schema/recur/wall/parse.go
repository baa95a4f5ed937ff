package wall

// Freq is the length of a rule's period.
type Freq uint8

// The frequencies, longest first.
const (
	Yearly Freq = iota
	Monthly
	Weekly
	Daily
	Hourly
	Minutely
	Secondly
)

var freqNames = [...]string{"YEARLY", "MONTHLY", "WEEKLY", "DAILY", "HOURLY", "MINUTELY", "SECONDLY"}

// Day is a weekday (0 Monday to 6 Sunday), or with N the N-th of a month or
// year, from its end when N is below 0.
type Day struct{ Weekday, N int }

// Parts are the parts of a rule. Lists are sorted and without doubles.
type Parts struct {
	Freq       Freq
	Interval   int64
	Count      int64 // 0 without it
	Until      int64 // seconds since 1970-01-01T00:00 local; the end of LastYear without it
	BySecond   []int
	ByMinute   []int
	ByHour     []int
	ByDay      []Day
	ByMonthDay []int
	ByYearDay  []int
	ByWeekNo   []int
	ByMonth    []int
	BySetPos   []int
	Wkst       int // weekday that weeks begin on
}

// Problem says what is wrong with a rule or a start: what follows the field's
// name in a sentence.
type Problem struct {
	Field   string // rule or start
	Message string
}

// Error is the sentence.
func (p *Problem) Error() string { return p.Field + " " + p.Message }

func bad(message string) error { return &Problem{"rule", message} }

const (
	longest     = 2000    // characters of a rule
	intervalMax = 1000000 // of any frequency
	countMax    = 1000000
)

// parts reads a RECUR value (RFC 5545, 3.3.10), in any letter case and order.
func parts(text string) (Parts, error) {
	p := Parts{Interval: 1, Until: lastSecond}
	if len(text) > longest {
		return p, bad("must have at most 2000 characters")
	}
	text = upper(text)
	if len(text) > 6 && text[:6] == "RRULE:" {
		text = text[6:]
	}
	seen := 0 // by bit, of partNames
	for _, part := range split(text, ';') {
		name, value := cut(part)
		if value == "" {
			return p, bad("must be parts such as FREQ=WEEKLY, separated by semicolons")
		}
		i := index(partNames[:], name)
		if i < 0 {
			return p, bad("has the part " + name + ", which RFC 5545 does not know")
		}
		if seen&(1<<i) != 0 {
			return p, bad("must have " + name + " once only")
		}
		seen |= 1 << i
		if err := p.set(name, value); err != nil {
			return p, err
		}
	}
	switch {
	case seen&1 == 0:
		return p, bad("must have FREQ")
	case seen&2 != 0 && p.Count > 0:
		return p, bad("must not have both COUNT and UNTIL")
	}
	return p, p.fitTogether()
}

var partNames = [...]string{"FREQ", "UNTIL", "COUNT", "INTERVAL", "BYSECOND", "BYMINUTE", "BYHOUR", "BYDAY", "BYMONTHDAY", "BYYEARDAY", "BYWEEKNO", "BYMONTH", "BYSETPOS", "WKST"}

func (p *Parts) set(name, value string) (err error) {
	switch name {
	case "FREQ":
		i := index(freqNames[:], value)
		if i < 0 {
			return bad("must have a FREQ of YEARLY, MONTHLY, WEEKLY, DAILY, HOURLY, MINUTELY or SECONDLY")
		}
		p.Freq = Freq(i)
	case "INTERVAL":
		p.Interval, err = number(name, value, 1, intervalMax)
	case "COUNT":
		p.Count, err = number(name, value, 1, countMax)
	case "UNTIL":
		p.Until, err = until(value)
	case "BYSECOND":
		p.BySecond, err = list(name, value, 0, 60, false)
		if n := len(p.BySecond); n > 0 && p.BySecond[n-1] == 60 {
			// A clock without leap seconds shows 59 in their place (RFC 5545, 3.3.12).
			p.BySecond = insert(p.BySecond[:n-1], 59)
		}
	case "BYMINUTE":
		p.ByMinute, err = list(name, value, 0, 59, false)
	case "BYHOUR":
		p.ByHour, err = list(name, value, 0, 23, false)
	case "BYDAY":
		p.ByDay, err = days(value)
	case "BYMONTHDAY":
		p.ByMonthDay, err = list(name, value, 1, 31, true)
	case "BYYEARDAY":
		p.ByYearDay, err = list(name, value, 1, 366, true)
	case "BYWEEKNO":
		p.ByWeekNo, err = list(name, value, 1, 53, true)
	case "BYMONTH":
		p.ByMonth, err = list(name, value, 1, 12, false)
	case "BYSETPOS":
		p.BySetPos, err = list(name, value, 1, 366, true)
	case "WKST":
		if p.Wkst = index(weekdayNames[:], value); p.Wkst < 0 {
			return bad("must have a WKST of MO, TU, WE, TH, FR, SA or SU")
		}
	}
	return err
}

// fitTogether refuses what RFC 5545 says must not stand in one rule.
func (p *Parts) fitTogether() error {
	nth := false
	for _, d := range p.ByDay {
		nth = nth || d.N != 0
	}
	by := p.ByDay != nil
	for _, list := range [...][]int{p.BySecond, p.ByMinute, p.ByHour, p.ByMonthDay, p.ByYearDay, p.ByWeekNo, p.ByMonth} {
		by = by || list != nil
	}
	switch {
	case nth && p.Freq != Monthly && p.Freq != Yearly:
		return bad("must not have BYDAY with a number unless FREQ is MONTHLY or YEARLY")
	case nth && p.Freq == Yearly && p.ByWeekNo != nil:
		return bad("must not have BYDAY with a number beside BYWEEKNO")
	case p.ByWeekNo != nil && p.Freq != Yearly:
		return bad("must not have BYWEEKNO unless FREQ is YEARLY")
	case p.ByYearDay != nil && (p.Freq == Monthly || p.Freq == Weekly || p.Freq == Daily):
		return bad("must not have BYYEARDAY when FREQ is MONTHLY, WEEKLY or DAILY")
	case p.ByMonthDay != nil && p.Freq == Weekly:
		return bad("must not have BYMONTHDAY when FREQ is WEEKLY")
	case p.BySetPos != nil && !by:
		return bad("must have another BY part beside BYSETPOS")
	}
	return nil
}

var weekdayNames = [...]string{"MO", "TU", "WE", "TH", "FR", "SA", "SU"}

// days reads a BYDAY list.
func days(value string) ([]Day, error) {
	var out []Day
	for _, item := range split(value, ',') {
		d, n := 0, int64(0)
		if len(item) >= 2 {
			d = index(weekdayNames[:], item[len(item)-2:])
		}
		if len(item) < 2 || d < 0 {
			return nil, bad("must have weekdays such as MO or -1FR in BYDAY")
		}
		if head := item[:len(item)-2]; head != "" {
			var err error
			if n, err = signed("BYDAY", head, 1, 53); err != nil {
				return nil, err
			}
		}
		out = addDay(out, Day{d, int(n)})
	}
	return out, nil
}

// addDay adds a day, unless it is there, in the order of numbers and weekdays.
func addDay(list []Day, d Day) []Day {
	i := len(list)
	for i > 0 && (list[i-1].N-d.N)*7+list[i-1].Weekday-d.Weekday > 0 {
		i--
	}
	if i > 0 && list[i-1] == d {
		return list
	}
	list = append(list, d)
	copy(list[i+1:], list[i:])
	list[i] = d
	return list
}

// insert adds a number to an ascending list, unless it is there.
func insert(list []int, n int) []int {
	i := len(list)
	for i > 0 && list[i-1] > n {
		i--
	}
	if i > 0 && list[i-1] == n {
		return list
	}
	list = append(list, n)
	copy(list[i+1:], list[i:])
	list[i] = n
	return list
}

func index(list []string, s string) int {
	for i, x := range list {
		if x == s {
			return i
		}
	}
	return -1
}

// list reads numbers from low to high; with negative, also their opposites.
func list(name, value string, low, high int64, negative bool) ([]int, error) {
	var out []int
	for _, item := range split(value, ',') {
		var n int64
		var err error
		if negative {
			n, err = signed(name, item, low, high)
		} else {
			n, err = number(name, item, low, high)
		}
		if err != nil {
			return nil, err
		}
		out = insert(out, int(n))
	}
	return out, nil
}

func signed(name, text string, low, high int64) (int64, error) {
	switch {
	case text != "" && text[0] == '+':
		return number(name, text[1:], low, high)
	case text != "" && text[0] == '-':
		n, err := number(name, text[1:], low, high)
		return -n, err
	}
	return number(name, text, low, high)
}

func number(name, text string, low, high int64) (int64, error) {
	n, ok := digits(text)
	if !ok || n < low || n > high {
		return 0, bad("must have in " + name + " only whole numbers from " + decimal(low) + " to " + decimal(high))
	}
	return n, nil
}

// digits reads one to nine decimal digits.
func digits(text string) (int64, bool) {
	if text == "" || len(text) > 9 {
		return 0, false
	}
	var n int64
	for i := range len(text) {
		if text[i] < '0' || text[i] > '9' {
			return 0, false
		}
		n = n*10 + int64(text[i]-'0')
	}
	return n, true
}

func decimal(n int64) string {
	if n < 10 {
		return string(rune('0' + n))
	}
	return decimal(n/10) + decimal(n%10)
}

// until reads an UNTIL of the same kind as the start, local date and time.
func until(value string) (int64, error) {
	if len(value) == 16 && value[15] == 'Z' {
		return 0, bad("must have a local UNTIL here, such as 20261231T235959, without Z")
	}
	if len(value) != 15 || value[8] != 'T' {
		return 0, bad("must have an UNTIL with date and time, as the start has them, such as 20261231T235959")
	}
	at, ok := moment(value[:4], value[4:6], value[6:8], value[9:11], value[11:13], value[13:15])
	if !ok {
		return 0, bad("must have an UNTIL that exists, from 1970 to 2199")
	}
	return at, nil
}

// startOf reads a local date and time such as 2026-03-29T05:30:00.
func startOf(text string) (int64, error) {
	form := len(text) == 19 && text[4] == '-' && text[7] == '-' && text[10] == 'T' && text[13] == ':' && text[16] == ':'
	if form {
		if at, ok := moment(text[:4], text[5:7], text[8:10], text[11:13], text[14:16], text[17:19]); ok {
			return at, nil
		}
	}
	return 0, &Problem{"start", "must be a local date and time such as 2026-03-29T05:30:00, from 1970 to 2199, without zone"}
}

// moment is a local time that exists in a calendar without gaps, in seconds
// since 1970-01-01T00:00.
func moment(texts ...string) (int64, bool) {
	var n [6]int64
	for i, t := range texts {
		var ok bool
		if n[i], ok = digits(t); !ok {
			return 0, false
		}
	}
	year, month, day := n[0], int(n[1]), int(n[2])
	if year < FirstYear || year > LastYear || month < 1 || month > 12 || day < 1 || day > daysInMonth(year, month) || n[3] > 23 || n[4] > 59 || n[5] > 59 {
		return 0, false
	}
	return dateOf(year, month, day)*86400 + n[3]*3600 + n[4]*60 + n[5], true
}

func upper(text string) string {
	b := []byte(text)
	for i, c := range b {
		if c >= 'a' && c <= 'z' {
			b[i] = c - 'a' + 'A'
		}
	}
	return string(b)
}

func split(text string, by byte) []string {
	var out []string
	from := 0
	for i := range len(text) {
		if text[i] == by {
			out = append(out, text[from:i])
			from = i + 1
		}
	}
	return append(out, text[from:])
}

// cut parts NAME=value; a value with another = in it is none.
func cut(part string) (name, value string) {
	pieces := split(part, '=')
	if len(pieces) != 2 {
		return part, ""
	}
	return pieces[0], pieces[1]
}
