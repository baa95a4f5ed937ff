package httpapi_test

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/replay"
)

// item is one of the quarantine, as a manager's phone reads it.
type item struct {
	ID, Document, Device, Person, Code, Reason, Problem, Decision, Why string
	Label                                                              string `json:"device_label"`
	By                                                                 string `json:"decided_by"`
	Decided                                                            int64  `json:"decided_at"`
	At                                                                 int64
	Started                                                            bool
	Entries                                                            []struct {
		Raw, ID, Kind, By, Device, Problem string
		At                                 int64
	}
}

func (h *handset) list(query string) []item {
	h.y.t.Helper()
	var out struct {
		Items []item
		More  bool
	}
	h.y.ok("GET", h.at("/quarantine"+query), h.access, nil, &out)
	return out.Items
}

func (h *handset) waiting() []item { return h.list("") }

func (h *handset) decide(id, decision, why string) answer {
	h.y.t.Helper()
	body := object{"decision": decision}
	if why != "" {
		body["why"] = why
	}
	return h.y.ask("POST", h.at("/quarantine/"+id), h.access, body)
}

// note is a note of the phone's person, n apart in time from others.
func (h *handset) note(n int, text string) string {
	h.y.t.Helper()
	at := h.y.clock.Load() + int64(n)
	raw, err := logbook.Entry{ID: logbook.NewEntryID(at, [10]byte{byte(n), byte(n >> 8)}), Kind: logbook.Note, At: at,
		By: h.Person, Dev: h.Device, Text: text}.Encode()
	h.y.must(err)
	return string(raw)
}

// refuse puts into quarantine what the hub puts there.
func (y *yard) refuse(site string, q hub.Quarantined) {
	y.t.Helper()
	if q.Code == "" {
		q.Code, q.Reason = "by", "by: "+q.Person+" had no access here at the time of the entry"
	}
	q.At = y.clock.Load()
	y.must(y.db.Quarantine(y.t.Context(), site, []hub.Quarantined{q}))
}

// log gives the texts of the log and how many admitted entries are about each id.
func (y *yard) log(site string) (texts []string, admitted map[logbook.EntryID]int) {
	y.t.Helper()
	read, err := replay.Read(y.t.Context(), y.db, site)
	y.must(err)
	admitted = map[logbook.EntryID]int{}
	for _, e := range read.Entries {
		if e.Kind == logbook.Admitted {
			admitted[e.Of]++
		} else {
			texts = append(texts, string(e.Raw))
		}
	}
	return texts, admitted
}

func TestDecisions(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	dan, maeve := y.enrol(site.ID, rights.Crew, "Dan"), y.enrol(site.ID, rights.Manager, "Maeve")
	good, bad := dan.note(1, "The hinge is dry."), dan.note(2, "Not to be kept.")
	y.refuse(site.ID, hub.Quarantined{ID: "q1", Doc: "log/2026-03", Device: dan.Device, Person: dan.Person, Entries: []string{good}})
	y.refuse(site.ID, hub.Quarantined{ID: "q2", Doc: "log/2026-03", Device: dan.Device, Person: dan.Person, Entries: []string{bad}})
	y.refuse(site.ID, hub.Quarantined{ID: "q3", Doc: "plan", Device: dan.Device, Code: "rights", Reason: "gates.name: nobody on " + dan.Device + " may edit it"})

	waiting := maeve.waiting()
	if len(waiting) != 3 {
		t.Fatalf("waiting: %+v", waiting)
	}
	w := waiting[0]
	if w.ID != "q1" || w.Document != "log/2026-03" || w.Device != dan.Device || w.Label != "Dan's phone" || w.Person != dan.Person || w.Code != "by" ||
		!strings.HasPrefix(w.Reason, "by: ") || w.At != y.clock.Load() || w.Problem != "" || w.Decision != "" || w.Started || len(w.Entries) != 1 {
		t.Errorf("waiting: %+v", w)
	}
	if e := w.Entries[0]; e.Raw != good || e.Kind != "note" || e.By != dan.Person || e.Device != dan.Device || e.At != y.clock.Load()+1 || e.ID == "" || e.Problem != "" {
		t.Errorf("its entry: %+v", e)
	}
	if w := waiting[2]; w.ID != "q3" || w.Document != "plan" || len(w.Entries) != 0 || !strings.Contains(w.Problem, "plan") {
		t.Errorf("the plan's: %+v", w)
	}

	before := y.rows()
	for _, why := range []string{"", " ", "\n\t "} {
		y.wantRefused("discarding without a reason", maeve.decide("q2", "discard", why), 400, "why")
	}
	y.wantRefused("accepting a change of the plan", maeve.decide("q3", "accept", ""), 409, "decision")
	y.wantRefused("deciding as somebody else", y.ask("POST", maeve.at("/quarantine/q1"), maeve.access, object{"decision": "accept", "by": dan.Person}), 403, "by")
	if after := y.rows(); after != before {
		t.Errorf("refused decisions left something:\n%s, want\n%s", after, before)
	}
	if again := maeve.waiting(); len(again) != 3 || again[2].Started {
		t.Errorf("after refused decisions: %+v", again)
	}

	var out struct {
		Decision, Why string
		By            string `json:"decided_by"`
		Decided       int64  `json:"decided_at"`
		Entries       int
	}
	y.pass(time.Minute)
	accept := y.ok("POST", maeve.at("/quarantine/q1"), maeve.access, object{"decision": "accept", "by": maeve.Person}, &out)
	if out.Decision != "accept" || out.By != maeve.Person || out.Decided != y.clock.Load() || out.Entries != 1 {
		t.Errorf("accepted: %s", accept)
	}
	y.pass(time.Minute)
	y.ok("POST", maeve.at("/quarantine/q1"), maeve.access, object{"decision": "accept"}, &out)
	if out.Entries != 0 || out.Decided != y.clock.Load()-time.Minute.Milliseconds() {
		t.Errorf("accepted again: %+v", out)
	}
	y.wantRefused("discarding what was accepted", maeve.decide("q1", "discard", "no"), 409, "decision")
	for _, id := range []string{"q2", "q3"} {
		y.pass(time.Minute)
		if a := maeve.decide(id, "discard", "  It was another gate. "); a.status != 200 {
			t.Errorf("discarding %s: %s", id, a)
		}
	}
	y.wantRefused("accepting what was discarded", maeve.decide("q2", "accept", ""), 409, "decision")
	y.wantRefused("deciding nothing", maeve.decide("q9", "accept", ""), 404, "id")

	texts, admitted := y.log(site.ID)
	if len(texts) != 1 || texts[0] != good || len(admitted) != 1 {
		t.Errorf("the log: %q, admitted %v", texts, admitted)
	}
	decided := maeve.list("?decided=true")
	if len(decided) != 3 || decided[0].ID != "q3" || decided[1].ID != "q2" || decided[2].ID != "q1" {
		t.Fatalf("decided: %+v", decided)
	}
	if d := decided[1]; d.Decision != "discard" || d.By != maeve.Person || d.Why != "It was another gate." || d.Decided == 0 || d.Entries[0].Raw != bad {
		t.Errorf("discarded: %+v", d)
	}
	if d := decided[2]; d.Decision != "accept" || d.By != maeve.Person || d.Problem != "" {
		t.Errorf("accepted: %+v", d)
	}
	if w := maeve.waiting(); len(w) != 0 {
		t.Errorf("still waiting: %+v", w)
	}

	// The phone that brought it hears what was decided, and nobody else's does.
	var mine struct {
		Decisions []struct {
			Entries       []string
			Decision, Why string
		}
	}
	y.ok("GET", dan.at("/decisions"), dan.access, nil, &mine)
	if len(mine.Decisions) != 3 || mine.Decisions[1].Decision != "discard" || mine.Decisions[1].Why != "It was another gate." || mine.Decisions[1].Entries[0] != decided[1].Entries[0].ID {
		t.Errorf("decisions for the phone: %+v", mine)
	}
	y.ok("GET", maeve.at("/decisions"), maeve.access, nil, &mine)
	if len(mine.Decisions) != 0 {
		t.Errorf("decisions for another phone: %+v", mine)
	}
}

// What cannot be written says why, stays open, and can be discarded.
func TestWhatCannotBeAccepted(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	dan, maeve := y.enrol(site.ID, rights.Crew, "Dan"), y.enrol(site.ID, rights.Manager, "Maeve")
	taken := dan.note(1, "In the log.")
	y.must(y.hub.WriteEntries(t.Context(), site.ID, [][]byte{[]byte(taken)}))
	forged, err := logbook.Entry{ID: logbook.NewEntryID(y.clock.Load(), [10]byte{9}), Kind: logbook.Clock, At: y.clock.Load(),
		By: dan.Person, Dev: dan.Device, Device: dan.Device, Offset: 1}.Encode()
	y.must(err)
	posing, err := logbook.Entry{ID: logbook.NewEntryID(y.clock.Load(), [10]byte{8}), Kind: logbook.Note, At: y.clock.Load(),
		By: logbook.Server, Dev: logbook.Server, Text: "I am the server."}.Encode()
	y.must(err)
	before, _ := y.log(site.ID)
	for i, c := range []struct {
		what, sentence string
		entries        []string
	}{
		{"its id is taken", "other content", []string{strings.Replace(taken, "In the log.", "On the phone.", 1)}},
		{"one of its ids is taken", "other content", []string{dan.note(5, "free"), strings.Replace(taken, "In the log.", "On the phone.", 1)}},
		{"it is no JSON", "cannot be read", []string{"{"}},
		{"it is no entry", "cannot be read", []string{`{"broken":true}`}},
		{"its second entry is none", "entry 2", []string{dan.note(6, "fine"), `{"broken":true}`}},
		{"an id stands in it twice", "twice", []string{dan.note(7, "one"), dan.note(7, "two")}},
		{"only the server may write it", "Only the server", []string{string(forged)}},
		{"it poses as the server", "of the server", []string{string(posing)}},
		{"it holds no entry", "No entry", nil},
	} {
		id := fmt.Sprintf("q%d", i)
		y.refuse(site.ID, hub.Quarantined{ID: id, Doc: "log/2026-03", Device: dan.Device, Person: dan.Person, Entries: c.entries})
		for range 2 {
			a := maeve.decide(id, "accept", "")
			y.wantRefused(c.what, a, 409, "decision")
			if !strings.Contains(string(a.body), c.sentence) {
				t.Errorf("%s: %s, want %q", c.what, a, c.sentence)
			}
		}
		w := maeve.waiting()
		if len(w) != 1 || w[0].ID != id || w[0].Started {
			t.Errorf("%s: waiting %+v", c.what, w)
		}
		if a := maeve.decide(id, "discard", c.what); a.status != 200 {
			t.Errorf("%s: discarding: %s", c.what, a)
		}
	}
	if after, admitted := y.log(site.ID); len(after) != len(before) || len(admitted) != 0 {
		t.Errorf("the log: %q, admitted %v", after, admitted)
	}
}

// Many managers at once leave one entry, one `admitted`, and one decision.
func TestManyDecideAtOnce(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	dan := y.enrol(site.ID, rights.Crew, "Dan")
	managers := make([]*handset, 4)
	for i := range managers {
		managers[i] = y.enrol(site.ID, rights.Manager, fmt.Sprintf("Manager %d", i))
	}
	// Round 0: all accept. Round 1: half accept, half discard. Round 2: the same entry is there twice.
	for round := range 12 {
		kind := round % 3
		raw := dan.note(100*round+1, fmt.Sprintf("round %d", round))
		ids := []string{fmt.Sprintf("q%d", round)}
		y.refuse(site.ID, hub.Quarantined{ID: ids[0], Doc: "log/2026-03", Device: dan.Device, Person: dan.Person, Entries: []string{raw}})
		if kind == 2 {
			ids = append(ids, ids[0]+"again")
			y.refuse(site.ID, hub.Quarantined{ID: ids[1], Doc: "log/2026-03", Device: dan.Device, Person: dan.Person, Entries: []string{raw}})
		}
		answers := make([]answer, len(managers))
		var all sync.WaitGroup
		for i, m := range managers {
			all.Go(func() {
				decision, why := "accept", ""
				if kind == 1 && i%2 == 1 {
					decision, why = "discard", "no"
				}
				answers[i] = m.decide(ids[i%len(ids)], decision, why)
			})
		}
		all.Wait()
		var says []string
		for i, a := range answers {
			var out struct {
				Decision string
				By       string `json:"decided_by"`
			}
			y.must(json.Unmarshal(a.body, &out))
			switch {
			case a.status == 200:
				says = append(says, out.Decision+" "+out.By)
			case kind != 1 || a.status != 409:
				t.Errorf("round %d, manager %d: %s", round, i, a)
			}
		}
		for _, s := range says {
			if s != says[0] {
				t.Errorf("round %d: the decisions differ: %q", round, says)
			}
		}
		want := 0
		if strings.HasPrefix(says[0], "accept") {
			want = 1
		}
		texts, admitted := y.log(site.ID)
		n := 0
		for _, text := range texts {
			if text == raw {
				n++
			}
		}
		e, err := logbook.ParseEntry([]byte(raw))
		y.must(err)
		if n != want || admitted[e.ID] != want {
			t.Errorf("round %d: %q; the entry is in the log %d times, admitted %d times", round, says, n, admitted[e.ID])
		}
		if w := managers[0].waiting(); len(w) != 0 {
			t.Errorf("round %d: still waiting: %+v", round, w)
		}
	}
}

// A server that ends between the steps of an acceptance leaves it to be finished: nothing is lost, nothing is there
// twice, and nobody can discard what may be in the log already.
func TestAcceptanceHalfWay(t *testing.T) {
	for _, step := range []string{"claimed", "entry written", "all written"} {
		t.Run(step, func(t *testing.T) {
			y := newYard(t, nil)
			site := y.site("brook")
			dan, maeve, nora := y.enrol(site.ID, rights.Crew, "Dan"), y.enrol(site.ID, rights.Manager, "Maeve"), y.enrol(site.ID, rights.Manager, "Nora")
			raw := dan.note(1, "The hinge is dry.")
			y.refuse(site.ID, hub.Quarantined{ID: "q1", Doc: "log/2026-03", Device: dan.Device, Person: dan.Person, Entries: []string{raw}})
			if step == "all written" {
				// All but the last step, as a whole acceptance leaves it.
				if a := maeve.decide("q1", "accept", ""); a.status != 200 {
					t.Fatal(a)
				}
				y.exec(`UPDATE quarantine SET resolved_at = NULL WHERE id = 'q1'`)
			} else {
				_, err := y.accounts.Claim(t.Context(), site.ID, "q1", maeve.Person)
				y.must(err)
			}
			if step == "entry written" {
				y.must(y.hub.WriteEntries(t.Context(), site.ID, [][]byte{[]byte(raw)}))
			}
			y.stop()
			y.pass(3 * time.Hour)
			y.start()
			nora.token()
			if w := nora.waiting(); len(w) != 1 || !w[0].Started {
				t.Errorf("waiting: %+v", w)
			}
			y.wantRefused("discarding it", nora.decide("q1", "discard", "no"), 409, "decision")
			if a := nora.decide("q1", "accept", ""); a.status != 200 {
				t.Fatalf("accepting again: %s", a)
			}
			texts, admitted := y.log(site.ID)
			e, err := logbook.ParseEntry([]byte(raw))
			y.must(err)
			if len(texts) != 1 || texts[0] != raw || len(admitted) != 1 || admitted[e.ID] != 1 {
				t.Errorf("the log: %q, admitted %v", texts, admitted)
			}
			if d := nora.list("?decided=true"); len(d) != 1 || d[0].Decision != "accept" || d[0].By != maeve.Person {
				t.Errorf("decided: %+v", d)
			}
		})
	}
}

// What reached the log by itself meanwhile is closed without another word.
func TestAcceptingWhatIsThere(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	dan, maeve := y.enrol(site.ID, rights.Crew, "Dan"), y.enrol(site.ID, rights.Manager, "Maeve")
	raw := dan.note(1, "The hinge is dry.")
	y.bring(dan, raw)
	y.refuse(site.ID, hub.Quarantined{ID: "q1", Doc: "log/2026-03", Device: dan.Device, Person: dan.Person, Code: "taken", Reason: "id: the entry is in the log already", Entries: []string{raw}})
	var out struct{ Entries int }
	y.ok("POST", maeve.at("/quarantine/q1"), maeve.access, object{"decision": "accept"}, &out)
	if texts, admitted := y.log(site.ID); out.Entries != 0 || len(texts) != 1 || len(admitted) != 0 {
		t.Errorf("wrote %d; the log: %q, admitted %v", out.Entries, texts, admitted)
	}
}

// bring stores an entry as a change of the phone's own, as the hub does.
func (y *yard) bring(h *handset, raw string) {
	y.t.Helper()
	e, err := logbook.ParseEntry([]byte(raw))
	y.must(err)
	c := &change.Change{Actor: change.Actor("0123456789abcdef"), Seq: 1, StartOp: 1,
		Ops: []change.Op{{Key: string(e.ID), Action: change.Set, Value: change.String(raw)}}}
	y.must(change.Encode(c))
	y.must(y.db.Append(y.t.Context(), hub.Batch{Site: h.Site.ID, Doc: e.ID.Document(), DocID: "month", Now: y.clock.Load(),
		Changes: []hub.StoredChange{{Hash: c.Hash, Actor: c.Actor, Seq: 1, Bytes: c.Bytes, ReceivedAt: y.clock.Load(), Device: h.Device,
			Entries: []hub.EntryRow{{ID: string(e.ID), Person: e.By}}}}}))
}

func (y *yard) exec(query string) {
	y.t.Helper()
	y.must(y.db.Write(y.t.Context(), func(tx *sql.Tx) error {
		_, err := tx.Exec(query)
		return err
	}))
}
