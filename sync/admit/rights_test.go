package admit

import (
	"bytes"
	"encoding/json"
	"maps"
	"os"
	"slices"
	"testing"

	"gatewright/schema/canon"
	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/sync/change"
)

// The rights table, row by row, through the judgement of real changes: every role x every kind of entry x whose entry it
// replaces or voids x a baseline or none, and every role x every field of the plan. What is expected is written here by
// hand, once more.

var everyRole = []rights.Role{rights.Crew, rights.Manager, rights.Contractor, rights.Technician, rights.Viewer, "owner", ""}

// writes says by hand which kinds a role writes.
func writes(role rights.Role, kind logbook.Kind) bool {
	switch kind {
	case logbook.Clock, logbook.Admitted, logbook.Receipt, logbook.MilkingSum:
		return false
	case logbook.Dismiss:
		return role == rights.Manager
	case logbook.Fitting, logbook.Visit, logbook.Sign, logbook.Survey:
		return role == rights.Manager || role == rights.Contractor
	}
	return role == rights.Crew || role == rights.Manager || role == rights.Contractor
}

// samplesOf reads an entry of every kind.
func samplesOf(t *testing.T) map[logbook.Kind]*logbook.Entry {
	t.Helper()
	raw, err := os.ReadFile("../../schema/logbook/testdata/entries.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	out := map[logbook.Kind]*logbook.Entry{}
	for line := range bytes.Lines(raw) {
		e, err := logbook.ParseEntry(bytes.TrimSpace(line))
		if err != nil {
			t.Fatal(err)
		}
		if out[e.Kind] == nil {
			out[e.Kind] = e
		}
	}
	for _, k := range logbook.Kinds() {
		if out[k] == nil {
			t.Fatalf("no sample of %s", k)
		}
	}
	return out
}

func TestEveryRoleAndKind(t *testing.T) {
	samples := samplesOf(t)
	earlier := id(at-1000, 1)
	judged, admitted := 0, 0
	for _, role := range everyRole {
		for _, kind := range logbook.Kinds() {
			for _, target := range []string{"none", "own", "another's", "the server's", "unknown"} {
				for _, baseline := range []bool{false, true} {
					if baseline && kind != logbook.Reading {
						continue
					}
					e := *samples[kind]
					e.ID, e.At, e.By, e.Dev, e.Replaces, e.Baseline = id(at, 9), at, me, mine, "", baseline
					if e.Of != "" {
						e.Of = earlier
					}
					if target != "none" && kind != logbook.Void {
						e.Replaces = earlier
					}
					know := facts{entries: map[logbook.EntryID]string{}}
					switch target {
					case "own":
						know.entries[earlier] = me
					case "another's":
						know.entries[earlier] = "p000000002"
					case "the server's":
						know.entries[earlier] = logbook.Server
					case "none":
						know.entries[earlier] = me // what a fixed or seen entry is about
					}
					raw, err := e.Encode()
					if err != nil {
						t.Fatalf("%s: %v", kind, err)
					}
					c, err := change.NewLogChange("an actor", 1, 1, nil, 0, string(e.ID), string(raw))
					if err != nil {
						t.Fatal(err)
					}
					r, v := Read(doc, c)
					if v != nil {
						t.Fatalf("%s: %s", kind, v.Reason)
					}
					a := crew(at-9, 0)
					a.People[0].Role = role
					got := r.Judge(Sender{Author: a, Now: at + 1}, know)
					want := writes(role, kind) && (!baseline || role == rights.Manager || role == rights.Contractor)
					voids := kind == logbook.Void || e.Replaces != ""
					if want && voids && role != rights.Manager {
						want = target == "own" || target == "none"
					}
					judged++
					if got.Outcome == Admitted {
						admitted++
					}
					if (got.Outcome == Admitted) != want || !want && (got.Outcome != Refused || got.Reason == "") {
						t.Errorf("%q writing %s, baseline %v, target %s: %s %s %s; want it admitted %v", role, kind, baseline, target, got.Outcome, got.Code, got.Reason, want)
					}
				}
			}
		}
	}
	t.Logf("%d changes of the log judged, %d admitted", judged, admitted)
}

// planted is the plan of the logbook's samples, as the server's first change made it.
func planted(t *testing.T) (*Plan, *change.Change, map[string]change.Value) {
	t.Helper()
	raw, err := os.ReadFile("../../schema/logbook/testdata/plan.json")
	if err != nil {
		t.Fatal(err)
	}
	var doc map[string]json.RawMessage
	if err := json.Unmarshal(raw, &doc); err != nil {
		t.Fatal(err)
	}
	c := &change.Change{Actor: "the server", Seq: 1, StartOp: 1, Message: ServerMessage}
	add := func(op change.Op) change.OpID {
		op.ID = change.OpID{Counter: uint64(len(c.Ops) + 1), Actor: c.Actor}
		c.Ops = append(c.Ops, op)
		return op.ID
	}
	values := map[string]change.Value{}
	value := func(raw json.RawMessage) change.Value {
		v, err := canon.Parse(raw)
		if err != nil {
			t.Fatal(err)
		}
		switch v.Kind {
		case canon.String:
			return change.String(v.Str)
		case canon.Null:
			return change.Value{Kind: change.KindNull}
		}
		var f float64
		if err := json.Unmarshal(raw, &f); err != nil {
			t.Fatal(err)
		}
		if f == float64(int64(f)) {
			return change.Value{Kind: change.KindInt, Int: int64(f)}
		}
		return change.Value{Kind: change.KindFloat, Float: f}
	}
	fields := func(collection string, obj change.OpID, item map[string]json.RawMessage) {
		for _, name := range slices.Sorted(maps.Keys(item)) {
			v := value(item[name])
			if v.Kind != change.KindNull || values[collection+"."+name].Kind == 0 {
				values[collection+"."+name] = v
			}
			add(change.Op{Obj: obj, Key: name, Action: change.Set, Value: v})
		}
	}
	for _, collection := range logbook.Collections() {
		obj := add(change.Op{Key: collection, Action: change.MakeMap})
		var items map[string]json.RawMessage
		if err := json.Unmarshal(doc[collection], &items); err != nil {
			t.Fatal(err)
		}
		if collection == logbook.SiteCollection {
			fields(collection, obj, items)
			continue
		}
		for _, id := range slices.Sorted(maps.Keys(items)) {
			var item map[string]json.RawMessage
			if err := json.Unmarshal(items[id], &item); err != nil {
				t.Fatal(err)
			}
			fields(collection, add(change.Op{Obj: obj, Key: id, Action: change.MakeMap}), item)
		}
	}
	if err := change.Encode(c); err != nil {
		t.Fatal(err)
	}
	p := NewPlan()
	p.Apply(c)
	return p, c, values
}

// planFacts knows a plan besides.
type planFacts struct {
	facts
	plan *Plan
}

func (f planFacts) Plan() *Plan { return f.plan }

func TestEveryRoleAndPlanField(t *testing.T) {
	plan, first, values := planted(t)
	servers := []string{"site.id", "site.tz", "site.tzv", "gates.since", "parts.since", "checks.since", "rounds.since"}
	item := map[string]string{"gates": "east", "parts": "pe1", "checks": "supply", "rounds": "morning"}
	judged, admitted := 0, 0
	for _, role := range append(everyRole, rights.Server) {
		for _, collection := range logbook.Collections() {
			place := Place{collection, item[collection]}
			obj, ok := plan.Map(place)
			if !ok {
				t.Fatalf("no %+v", place)
			}
			for _, field := range logbook.PlanFields(collection) {
				v, ok := values[collection+"."+field]
				if !ok { // the samples leave it out: as null, which takes a field back
					v = change.Value{Kind: change.KindNull}
				}
				start := uint64(len(first.Ops) + 1)
				preds, _ := plan.Live(obj, field)
				c := &change.Change{Actor: "an actor", Seq: 1, StartOp: start, Deps: []change.Hash{first.Hash},
					Ops: []change.Op{{ID: change.OpID{Counter: start, Actor: "an actor"}, Obj: obj, Key: field, Action: change.Set, Value: v, Pred: preds}}}
				if err := change.Encode(c); err != nil {
					t.Fatal(err)
				}
				r, bad := Read(logbook.PlanDocument, c)
				if bad != nil {
					t.Fatalf("%s.%s: %s", collection, field, bad.Reason)
				}
				a := crew(at-9, 0)
				a.People[0].Role = role
				know := planFacts{facts{maxOp: uint64(len(first.Ops)), actors: map[change.Actor]string{"an actor": mine}}, plan}
				got := r.Judge(Sender{Author: a, Now: at}, know)
				want := role == rights.Manager && !slices.Contains(servers, collection+"."+field)
				judged++
				if got.Outcome == Admitted {
					admitted++
				}
				if (got.Outcome == Admitted) != want || !want && got.Code != CodeRights {
					t.Errorf("%q editing %s.%s: %s %s %s; want it admitted %v", role, collection, field, got.Outcome, got.Code, got.Reason, want)
				}
				// A grant that has ended edits nothing, whatever it was.
				a.People[0].Until = at
				if got := r.Judge(Sender{Author: a, Now: at}, know); got.Outcome != Refused || got.Code != CodeBy {
					t.Errorf("%q of yesterday editing %s.%s: %s %s", role, collection, field, got.Outcome, got.Code)
				}
				judged++
			}
		}
	}
	t.Logf("%d edits of the plan judged, %d admitted", judged, admitted)
}
