package wall

import "gatewright/schema/num"

// A date is a count of days since 1970-01-01 in the Gregorian calendar, a
// weekday 0 for Monday to 6 for Sunday.

// civil is a date's year, month (1 to 12) and day.
func civil(date int64) (year int64, month, day int) {
	// Days counted from 0000-03-01, so that a leap day ends its year.
	d := date + 719468
	era := num.FloorDiv(d, 146097)
	d -= era * 146097
	y := (d - d/1460 + d/36524 - d/146096) / 365
	d -= 365*y + y/4 - y/100
	m := (5*d + 2) / 153
	day = int(d - (153*m+2)/5 + 1)
	year = y + era*400
	if m += 3; m > 12 {
		m -= 12
		year++
	}
	return year, int(m), day
}

// dateOf is the date of a day that need not exist: 31 April is 1 May.
func dateOf(year int64, month, day int) int64 {
	m := int64(month) - 3
	if m < 0 {
		m += 12
		year--
	}
	era := num.FloorDiv(year, 400)
	y := year - era*400
	return era*146097 + 365*y + y/4 - y/100 + (153*m+2)/5 + int64(day) - 1 - 719468
}

func leap(year int64) bool { return year%4 == 0 && (year%100 != 0 || year%400 == 0) }

func daysInYear(year int64) int {
	if leap(year) {
		return 366
	}
	return 365
}

var monthLength = [...]int{31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}

func daysInMonth(year int64, month int) int {
	if month == 2 && leap(year) {
		return 29
	}
	return monthLength[month-1]
}

func weekday(date int64) int { return int(num.FloorMod(date+3, 7)) }

// weekStart is the first day of the date's week, weeks beginning on wkst.
func weekStart(date int64, wkst int) int64 { return date - num.FloorMod(date+3-int64(wkst), 7) }

// weekOne is the first day of a year's week 1: the first with at least four
// days in the year, so the one that holds 4 January.
func weekOne(year int64, wkst int) int64 { return weekStart(dateOf(year, 1, 4), wkst) }

// weekNumber is the number of the date's week in the year that holds at least
// four of its days, counted from the front and, as -1 and so on, from the end.
func weekNumber(date int64, wkst int) (front, back int) {
	start := weekStart(date, wkst)
	year, _, _ := civil(start + 3)
	front = int((start-weekOne(year, wkst))/7) + 1
	back = int((start - weekOne(year+1, wkst)) / 7)
	return front, back
}
