// Package rules says what a site's plan and log come to at an instant: which
// flags are raised, what is due, how complete the upkeep was, and when any of
// that changes next. It is a pure function
//
//	plan + set of entries + now -> Output
//
// and decides on integers alone (milliseconds, millionths), so that the server
// and every phone, given the same documents and the same instant, write the
// same bytes. The order in which entries arrive does not matter, no clock is
// read, and an earlier now may follow a later one. The rest of this comment is
// the specification.
//
// # Entries
//
// An entry x is in force when x.at <= now; Future counts those that are not.
// It is active when it is in force and no active entry with a greater id voids
// it or replaces it; since the greatest id decides first, a void can itself be
// voided. A replacement stands by its own at. Entries are taken in the order
// (at, id). Spans of time are half-open: at its end a thing no longer holds.
// Within one millisecond the plan's changes and the gate's going out of or
// back into service come first, then misses, then what was done.
//
// # Checks, gates, parts
//
// A check is live in [start, end): start is the latest since of check, gate
// and part, end the earliest retired. Its doings are the active entries of
// kind tick, reading, indicator, mode or count that name it, lie in
// [start, end) and are not odd.
//
// A gate is out of service from an active park entry that says so until the
// next one that says it is back; repetitions change nothing, and a stay of no
// length is none.
//
// # Fixed cadence
//
// The boundaries of a cadence period (package cadence; its anchor is the
// period's from) cut time into windows: due is a window's boundary, late is
// due plus grace, and it opens at the boundary before, at the check's start or
// at the period's from, whichever is last. The windows of a period are those
// with from < due <= the next period's from, and due after the check's start.
// Milking boundaries are those of the timetable of their day: of each
// timetable, those after its from, up to and including the next one's.
//
// A window is done when there is a doing in [opens, due), else late when there
// is one in [due, late): one doing may serve its own window and earlier ones.
// Otherwise it is waived when the gate is out of service at any instant of
// [due, late] (as far as is known now), else missed once late has come. It
// closes at due, at the doing, or at late; waived windows count nowhere.
//
// # Cadence from the last time
//
// The obligation counts from an anchor, the last doing or else the start: at
// instant t it is due at D, the period's step on from the anchor by the local
// calendar (milkings: so many boundaries ahead). While the gate is out of
// service its time does not run: if the gate was out at the anchor, until b,
// then D is as long after b; for each later stay [p, b) up to t, D becomes b
// plus what was left at p, at least nothing. Last, D is never before the from
// of the period in force at t. Late is D plus grace.
//
// Whenever the gate comes back or another period comes in force, a new
// obligation begins from the same anchor. One is missed when its late comes
// while the gate is in service and its period in force, not after the next
// doing. A doing closes the obligation as it stands, unless that was missed or
// the gate is out of service: done before D, late from then on; in any case it
// is the next anchor.
//
// # Due list
//
// One item per live check with a period in force. State is the first of:
//
//   - parked: the gate is out of service; no opens, due, late.
//   - overdue: fixed: windows were missed after the last doing and after the
//     gate last went out of service; the first of them shows, missed counts
//     them. Last: late has come; missed is 1.
//   - late: past due and in grace: the window with the earliest due.
//   - done: fixed: the window of now has a doing. Last: done on today's local
//     date, and not due before the end of tomorrow's first instant.
//   - due: due no later than the first instant of the next local date.
//   - open: due later.
//
// Where a cadence has no due, there is no item. Besides, a live check of a gate
// in service with an open flag limit, bad or disagree has an item "recheck":
// it opens when the earliest of them was raised, and is due (and overdue) the
// plan's recheck minutes later. Items are sorted by due, check and why; parked
// ones come last.
//
// # Completion
//
// Of each live check, the last 14 closed windows and obligations by due (then
// by when they closed): how many were done, late and missed, and the due of
// the first and last of them.
//
// # Flags
//
// A flag's subject is rule/target. An episode is [raised, cleared); one of no
// length does not exist. Open ones and those cleared less than 14 days of 24
// hours ago are listed, by (raised, subject). The key is flag.RULE, for limit
// with .low or .high.
//
//   - overdue/CHECK (watch): raised at the late of a miss when none is open;
//     cleared by the first doing from then on, by the gate's going out of
//     service, or at the check's end. due of the first miss, missed so far,
//     last doing before it was raised.
//   - limit/CHECK (act): readings of a number check by the limits in force at
//     their at: below low, above high, or off the marks, until the next
//     reading inside. The parameters are of the latest reading outside.
//   - near/CHECK (know): inside, but within warn of a limit, until the next
//     reading that is not. A reading by marks is never near.
//   - bad/CHECK (act): a tick that found it not right, until the next doing
//     that is no such tick.
//   - disagree/CHECK (watch): two consecutive judged readings a, b by
//     different people, no more than within minutes apart, of which exactly
//     one is outside, or which differ by more than agree in the same unit; by
//     the limits of b. It goes on with the next pair, or ends with a reading
//     that agrees with the one before.
//   - manual/GATE (act): from manual_after minutes after a mode entry
//     "manual" (at once when the entry answers a check) until the next
//     "automatic" of the gate, or its retirement; stays out of service are cut
//     out, what remains are episodes of their own.
//   - fault/ENTRY (act when milking stops, else watch): until the first fixed
//     entry of it, or until its gate or part is retired.
//   - clock/DEVICE (know): the server found the device's clock two minutes or
//     more off, until it finds it less.
//   - odd/ENTRY (know): the entry names a check, gate or part that the plan
//     does not have (retired ones it has), its unit is not that of the limits,
//     or its kind does not fit the check; the first of these is the reason. It
//     stays until the entry is voided. An odd entry is no doing and is not
//     judged; a gate in manual, a stay out of service or a fault counts all
//     the same, so that a slip in naming hides no danger.
//
// Entries are the ids that justify the episode: the readings, ticks or mode
// entries that raised it and the one that cleared it; for overdue the last
// doing. Limit, near, bad and disagree are cleared at the check's end too.
//
// Acts that name the subject count in the episode that contains their at. The
// first take holds until a handback by anybody, then the next take; a take
// while it is held changes nothing. The first dismiss counts. All are listed.
//
// # Wake
//
// Wake is the least instant after now at which anything but Basis.Now changes,
// given the same entries: nothing changes before it, and something does at it.
// It is absent when nothing ever will.
package rules
