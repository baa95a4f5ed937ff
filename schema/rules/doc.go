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
// [start, end) and are not odd. A check of kind visit is done by visits: its
// doings are the active visit entries with state closed that name no gate or
// its gate, in [start, end); entries of the kinds above that name it are odd
// (kind).
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
// A calendar cadence is a fixed one whose boundaries are the local times that
// an RFC 5545 recurrence rule gives, counted from its start as a floating
// (wall-clock) time, each at the first instant at which the site's clocks show
// it or later: skipped times in spring come after the gap, doubled ones in
// autumn once. Equal instants are one boundary. Such a series begins and may
// end: before its first boundary there is none, and after its last nothing is
// due. A rule that cannot be read (package recur/wall) has no boundaries.
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
// # Cadence after something happened
//
// The cadences event and passages have triggers: instants τ in [start, end)
// and in their period, from <= τ < the next period's from; several at one
// instant count once. For event they are the at of the active event entries
// with that event that name no gate or the check's gate (event "visit": of the
// active visit entries with state closed, likewise); due is τ plus after. For
// passages they depend on an anchor a: the at of the active milking entry of
// the check's gate, in order, at which the passages of those entries that lie
// after a and not before the period's from first come to n or more; due is τ.
// Late is due plus grace.
//
// The anchor a is at first the millisecond before start. The obligation is that
// of the first trigger after a, over all such periods. With d the first doing
// at or after τ it is done when d < due, late when due <= d < late; otherwise
// waived when the gate is out of service at any instant of [due, late] (as far
// as is known now), else missed once late has come (if late < end). It opens at
// τ; done and late close it at d, a miss at late (before a doing of that very
// instant); a waived one, which it is not before due, counts nowhere.
// Then the next anchor is d when it was done or late; late when it was waived;
// and after a miss the earlier of the first doing at or after τ and the first
// going out of service after late. Until an anchor has come nothing else is
// triggered.
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
// A cadence after something happened (when a period of this kind is the one in
// force, whichever of them asked) has an item only while the gate is out of
// service (parked), while its obligation is neither closed nor waived (due
// before due has come, late in grace), and while it is missed and the next
// anchor has not come (overdue, missed 1).
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
// by when they closed, then windows before obligations from the last time
// before those after something happened): how many were done, late and missed,
// and the due of the first and last of them.
//
// # Flags
//
// A flag's subject is rule/target. An episode is [raised, cleared); one of no
// length does not exist. Open ones and those cleared less than 14 days of 24
// hours ago are listed, by (raised, subject, cleared), open ones last. The key is
// flag.RULE, for some rules with .low, .high or .fall after it.
//
//   - overdue/CHECK (watch): raised at the late of a miss when none is open;
//     cleared by the first doing from then on, by the gate's going out of
//     service, or at the check's end. due of the first miss, missed so far,
//     last doing before it was raised.
//   - limit/CHECK (act): readings of a number check by the limits in force at
//     their at: below low or above high by more than the guard band, or off the
//     marks, until the next reading inside. The parameters are of the latest
//     reading outside. The guard band is guard times u (the reading's own, be it
//     0, else that of the limits), to the millionth, half up; when it is not 0,
//     a number no further than it from a limit, on either side, is neither
//     outside nor inside but in doubt (on the low side when so to both): it
//     leaves a limit flag as it is.
//   - doubt/CHECK (watch): readings in doubt, until the next judged one that is
//     not; .low or .high, value, low, high, u and guard of the latest.
//   - near/CHECK (know): inside, but within warn of a limit, until the next
//     reading that is not. A reading by marks is never near.
//   - bad/CHECK (act): a tick that found it not right, until the next doing
//     that is no such tick.
//   - disagree/CHECK (watch): two consecutive judged readings a, b by
//     different people, no more than within minutes apart, of which one is
//     outside and one inside, or which differ by more than agree in one unit; by
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
//   - drift/CHECK, shift/CHECK, rate/GATE (watch): see Statistics.
//   - repeat/GATE (watch): three faults of one gate with the same seen and the
//     same part (or none) within 30 days of 24 hours. Of the active fault
//     entries of such a group, in order, the i-th and the two before it make
//     the stretch [at of the i-th, at of the i-2nd plus 30 days) if it is not
//     empty. The stretches of all groups of the gate, united where they meet,
//     are its episodes, cut at the gate's retirement. The parameters are of the
//     latest fault in the episode that ends a stretch: its seen, n the faults of
//     its group in the 30 days up to it (one exactly 30 days before is not in
//     them), since the at of the first of those. Entries: all three faults of
//     every stretch.
//   - quiet/site (watch): from quiet_after minutes after an active entry by a
//     person (not the server) until the next such entry by (at, id); 0 turns
//     both quiet flags off. Cut out is when no gate is in use (in [since,
//     retired) and in service); what remains are episodes of their own. since
//     is the at of the entry counted from.
//   - quiet/DEVICE (know): from 7 days of 24 hours after an active entry by a
//     person with that device until its next, no longer than 30 days more; if
//     the device was regular: such entries on at least 5 UTC dates in the 14
//     days of 24 hours up to that one (exactly 14 days before is not in them).
//     since is the at of the entry counted from.
//   - altered/VISIT (watch): something was changed after a signature. An
//     alteration of a visit is an active entry with an id greater than that of
//     an active sign entry of the visit, that names the visit, or voids or
//     replaces an entry that does; those of kind sign, receipt, seen, admitted,
//     take, handback and dismiss are none. (What it voids or replaces may be
//     any entry that is there, active or not.) It stands from the later of its at
//     and that of the last sign entry before it by id, until the at of the
//     first sign entry after it by id. What stands, united where it meets, is
//     an episode: n alterations, signed the at of the last sign entry before
//     the first alteration (by id) in it. Entries: the alterations, and the
//     sign entry whose at cleared it.
//   - visit/CHECK (know): an obligation from the last time of a visit check, as
//     it closed or as it stands now: from 14 days of 24 hours before due, but
//     not before it opens, until it closes. One that a new obligation took the
//     place of leaves none. due, and last as for overdue.
//   - odd/ENTRY (know): the entry names a check, gate or part that the plan
//     does not have (retired ones it has), its unit is not that of the limits,
//     or its kind does not fit the check; the first of these is the reason. It
//     stays until the entry is voided. An odd entry is no doing and is not
//     judged; all else that it does (a gate in manual, a stay out of service, a
//     fault, a trigger, a break, an alteration) counts all the same, so that a
//     slip in naming hides no danger.
//
// Entries are the ids that justify the episode: the readings, ticks, mode or
// milking entries that raised it and the one that cleared it; for overdue and
// visit the last doing before it was raised; for quiet the entry counted from,
// and the next when that ended it. What is about a check is cleared at the
// check's end too; rate, repeat and manual at the gate's retirement, and they
// are only of gates that the plan has. What comes at or after the end of an
// episode tells nothing of it, but an entry that would have cleared it at that
// very instant is among its entries.
//
// # Statistics
//
// The values of a number check are its judged readings that are numbers, with
// at not before the gate's learning instant. A run of them begins at each
// break: the at of an active fitted entry of the check's part, the at of a
// doing with baseline, and the from of limits whose unit is not that of the
// limits before. A value belongs to the run of the last break not after its at,
// whatever their ids. A break clears what stands of the run before it, and its
// entry is then among the entries.
//
//   - drift: a value r inside or in doubt, when the limits in force at its at
//     have a horizon (days), and of the last 20 values of its run up to r there
//     are at least 8. Through these goes the robust line (package trend,
//     confidence 0.95; x in days since the first of them, y in the limits'
//     unit). r drifts when p is below 0.01, the slope is not 0, there is a
//     limit in its direction (high when rising), and the line reaches it no
//     later than horizon days after r. It crosses at (limit - intercept) /
//     slope, or at r if that is earlier. from and to are the same for the lines
//     through the medians of x and y with the ends of the slope's interval:
//     from with the end that leads to the limit sooner, to with the other, each
//     left out when it does not lead there within 36525 days of r. All three to
//     the nearest minute, half up, not before r; what comes before r counts as
//     r. Raised at a value that drifts, cleared by the next value that does
//     not, or by a break. crosses, from, to, limit, n, slope (a day), unit,
//     value of the latest; .low or .high.
//   - shift: limits with a chart (individuals, ewma, cusum). The first 20
//     values of a run are its base: target is their mean, sigma their mean
//     moving range / 1.128, or the u of the limits in force at the last of them
//     when that is greater; with both 0 nothing is judged. Each later value
//     steps the charts of package chart in their designed form (individuals at
//     3.18 sigma; EWMA of weight 0.2 at 3.29 of its own; CUSUM of slack 0.5
//     and limit 6.32 sigma), and the chart of the limits in force at its at
//     tells. Raised at a value that signals,
//     cleared by the next that does not, or by a break. chart, sigma, target,
//     unit, value of the latest; .low or .high.
//   - rate: the active milking entries of a gate with passages, at not before
//     its learning, by (at, id); a run begins at the at of each active fitted
//     entry of a part of the gate whose type is reader. By the gate's rates in
//     force at the entry's at, the last 6 of its run up to it, taken together,
//     are low when the upper end of Wilson's 99 % interval of read in passages
//     is below low percent; else fallen, when fall is above 0, the run has 28
//     before those 6, and the rate of its first 28 was higher by at least fall
//     percentage points and by more than 0 at the lower end of Newcombe's
//     99.9 % interval of the difference. Raised at an entry that finds that,
//     cleared by the next that does not, or by a break. .low or .fall; read,
//     passages, rate (percent) of the 6 of the latest, low with .low, base
//     (percent) with .fall.
//
// Numbers worked out here are rounded to millionths, half up, and cut to plus or
// minus 1000000000.
//
// # False alarms
//
// How often a rule tells of something while nothing changes, for values that
// are normal and do not depend on their neighbours (3000 runs of each through
// these very steps, from a fixed seed: go test ./schema/rules -run FalseAlarms
// -v -args -runs 3000; a standard error is at most 0.9 points):
//
//   - drift is looked at after every value, so p below 0.01 comes about by
//     chance in the end; that the line must also lead to the limit within the
//     horizon is what keeps it quiet. One value a day: of processes with limits
//     4 standard deviations away and a horizon of 366 days (in which any slope
//     so plain leads there) 29.8 % give an alarm within 100 values, and half of
//     them within 189; with a horizon of 30 days 17.9 %, and half within 318;
//     with limits 10 standard deviations away 0.8 %.
//   - shift: after a base of 20 values 30.9 % (individuals), 30.7 % (EWMA) and
//     30.7 % (CUSUM) give an alarm within the next 100, and half of them none
//     within 300, as package chart says of these designs.
//   - rate, by milkings of 150 passages, within 730 of them: a gate that truly
//     reads half a percentage point more than low, 97.5 % for 97, is called low
//     at some time by chance in 11.9 % of runs; one that reads exactly low in
//     91.8 % (half of them within 211), as it should be sooner or later. A
//     gate of 97 % throughout is called fallen by 1 point in 20.7 %.
//
// # One cause, one shout
//
// A listed flag stands under another listed flag whose episode overlaps its
// own: under is the subject of the first there is, in this order. Of one check:
// near under shift, drift; drift under limit, doubt, shift; shift under limit,
// doubt; doubt and disagree under limit; visit under overdue. quiet/DEVICE
// under quiet/site; overdue under quiet/site, if it was raised after that one's
// since. fault under repeat of its gate, if it is among its entries. Whoever
// tells people of flags tells of those that stand alone.
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
