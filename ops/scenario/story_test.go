package scenario

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/sync/replay"
)

// TestStories runs every story twice: over the store in memory and over SQLite.
func TestStories(t *testing.T) {
	for _, store := range []string{"memory", "sqlite"} {
		t.Run(store, func(t *testing.T) {
			testscript.Run(t, testscript.Params{
				Dir:                 "testdata",
				RequireUniqueNames:  true,
				RequireExplicitExec: true,
				Setup: func(env *testscript.Env) error {
					newStore := memory
					if store == "sqlite" {
						newStore = inFile(env.WorkDir)
					}
					w := NewWorld(newStore)
					env.Values[worldKey{}] = w
					env.Defer(func() {
						if err := w.Close(); err != nil {
							t.Errorf("closing the store: %v", err)
						}
					})
					return nil
				},
				Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
					"clock":      verb(clockVerb),
					"site":       verb(siteVerb),
					"plan":       verb(planVerb),
					"phone":      verb(phoneVerb),
					"person":     verb(personVerb),
					"device":     verb(deviceVerb),
					"server":     verb(serverVerb),
					"rules":      verb(rulesVerb),
					"entries":    verb(entriesVerb),
					"quarantine": verb(quarantineVerb),
					"accept":     verb(acceptVerb),
					"held":       verb(heldVerb),
					"conflicts":  verb(conflictsVerb),
					"converged":  verb(func(w *World, s *scene) error { return w.Converged() }),
					"sync":       verb(func(w *World, s *scene) error { return w.Sync() }),
				},
			})
		})
	}
}

type worldKey struct{}

// scene is one command of a story.
type scene struct {
	ts   *testscript.TestScript
	args []string
}

// next takes the next word.
func (s *scene) next(what string) (string, error) {
	if len(s.args) == 0 {
		return "", fmt.Errorf("%s is missing", what)
	}
	word := s.args[0]
	s.args = s.args[1:]
	return word, nil
}

// options takes the rest as k=v.
func (s *scene) options() (map[string]string, error) {
	out := map[string]string{}
	for _, arg := range s.args {
		k, v, ok := strings.Cut(arg, "=")
		if !ok {
			return nil, fmt.Errorf("%q is not of the form name=value", arg)
		}
		out[k] = v
	}
	return out, nil
}

func (s *scene) print(text string) { fmt.Fprint(s.ts.Stdout(), text) }

// verb makes a command of a function: with ! it must fail, and what went wrong
// is then on stderr.
func verb(do func(w *World, s *scene) error) func(ts *testscript.TestScript, neg bool, args []string) {
	return func(ts *testscript.TestScript, neg bool, args []string) {
		w := ts.Value(worldKey{}).(*World)
		fmt.Fprint(ts.Stdout(), "") // what an earlier command printed is not this one's
		err := do(w, &scene{ts, args})
		switch {
		case err != nil && !neg:
			ts.Fatalf("%v", err)
		case err == nil && neg:
			ts.Fatalf("it succeeded, and must not")
		case err != nil:
			fmt.Fprintln(ts.Stderr(), w.named(err.Error()))
		}
	}
}

// clock set INSTANT, clock advance DURATION
func clockVerb(w *World, s *scene) error {
	what, err := s.next("set or advance")
	if err != nil {
		return err
	}
	arg, err := s.next("the time")
	if err != nil {
		return err
	}
	switch what {
	case "set":
		at, err := ParseInstant(arg)
		if err != nil {
			return err
		}
		if at < w.now {
			return fmt.Errorf("time does not go back from %s", w.instant(w.now))
		}
		w.now = at
	case "advance":
		d, err := time.ParseDuration(arg)
		if err != nil {
			return err
		}
		w.now += d.Milliseconds()
	default:
		return fmt.Errorf("clock %s is unknown", what)
	}
	w.Tick()
	return nil
}

// site since=INSTANT [zone=ZONE], or site plan=FILE [zone=ZONE]
func siteVerb(w *World, s *scene) error {
	opt, err := s.options()
	if err != nil {
		return err
	}
	zone := opt["zone"]
	if zone == "" {
		zone = "UTC"
	}
	text := strings.ReplaceAll(Yard, "SINCE", opt["since"])
	if file := opt["plan"]; file != "" {
		text = s.ts.ReadFile(file)
	}
	items, err := PlanItems(zone, text)
	if err != nil {
		return err
	}
	if w.loc, err = time.LoadLocation(zone); err != nil {
		return err
	}
	return w.StartSite(items)
}

// plan FILE: the server writes what the file holds into the plan.
func planVerb(w *World, s *scene) error {
	file, err := s.next("the file")
	if err != nil {
		return err
	}
	items, err := PlanItems(w.loc.String(), s.ts.ReadFile(file))
	if err != nil {
		return err
	}
	return w.WritePlan(items)
}

// person end NAME
func personVerb(w *World, s *scene) error {
	if what, err := s.next("end"); err != nil || what != "end" {
		return fmt.Errorf("person %s is unknown", what)
	}
	name, err := s.next("the person")
	if err != nil {
		return err
	}
	return w.EndPerson(name)
}

// device revoke PHONE [quietly]: quietly, the hub is not told.
func deviceVerb(w *World, s *scene) error {
	if what, err := s.next("revoke"); err != nil || what != "revoke" {
		return fmt.Errorf("device %s is unknown", what)
	}
	name, err := s.next("the phone")
	if err != nil {
		return err
	}
	return w.Revoke(name, len(s.args) == 0)
}

// server backup | restore | restart | restore-window DURATION
func serverVerb(w *World, s *scene) error {
	what, err := s.next("what the server does")
	if err != nil {
		return err
	}
	switch what {
	case "backup":
		return w.BackUp()
	case "restore":
		return w.Restore()
	case "restart":
		return w.RestartServer()
	case "restore-window":
		arg, err := s.next("how long")
		if err != nil {
			return err
		}
		d, err := time.ParseDuration(arg)
		if err != nil {
			return err
		}
		w.OpenRestore(w.now + d.Milliseconds())
		return nil
	}
	return fmt.Errorf("server %s is unknown", what)
}

// rules [due|flags|completion|future|wake …]: what the server says now.
func rulesVerb(w *World, s *scene) error {
	engine, err := replay.Rules(context.Background(), w.server.store, w.site)
	if err != nil {
		return err
	}
	s.print(w.Tell(engine.Evaluate(w.now), s.args...))
	return nil
}

// entries [KIND …]: the log of the server, by entry id.
func entriesVerb(w *World, s *scene) error {
	site, err := replay.Read(context.Background(), w.server.store, w.site)
	if err != nil {
		return err
	}
	for _, e := range site.Entries {
		if len(s.args) == 0 || strings.Contains(" "+strings.Join(s.args, " ")+" ", " "+string(e.Kind)+" ") {
			s.print(w.entryLine(e) + "\n")
		}
	}
	return nil
}

// quarantine: what was refused, in the order it came.
func quarantineVerb(w *World, s *scene) error {
	for _, q := range w.server.quarantine {
		s.print(q.Code + ": " + w.named(q.Reason) + "\n")
		for _, raw := range q.Entries {
			e, err := logbook.ParseEntry([]byte(raw))
			if err != nil {
				s.print("  " + raw + "\n")
				continue
			}
			s.print("  " + w.entryLine(e) + "\n")
		}
	}
	return nil
}

// accept ENTRY [dies=N]: a manager lets in what was refused; the server dies
// before its N-th write, and starts anew.
func acceptVerb(w *World, s *scene) error {
	id, err := s.next("the entry")
	if err != nil {
		return err
	}
	opt, err := s.options()
	if err != nil {
		return err
	}
	n := 0
	if opt["dies"] != "" {
		if n, err = strconv.Atoi(opt["dies"]); err != nil {
			return err
		}
	}
	return w.Accept(logbook.EntryID(id), n)
}

// held: what waits to be confirmed, by document.
func heldVerb(w *World, s *scene) error {
	list, err := w.Held()
	if err != nil {
		return err
	}
	for _, h := range list {
		s.print(h.Doc + " of " + w.name(h.AuthorDevice) + " via " + w.name(h.Via) + ": " + h.Code + "\n")
	}
	return nil
}

// phone NAME person=P role=R [relay=true] | clock DURATION | VERB …
func phoneVerb(w *World, s *scene) error {
	name, err := s.next("the phone")
	if err != nil {
		return err
	}
	what, err := s.next("what the phone does")
	if err != nil {
		return err
	}
	if strings.Contains(what, "=") {
		s.args = append([]string{what}, s.args...)
		opt, err := s.options()
		if err != nil {
			return err
		}
		return w.Enrol(name, opt["person"], opt["role"], opt["relay"] == "true")
	}
	h := w.phones[name]
	if h == nil {
		return fmt.Errorf("there is no phone %s", name)
	}
	do := phoneVerbs[what]
	if do == nil {
		return fmt.Errorf("phone %s %s is unknown", name, what)
	}
	return do(w, h, s)
}

var phoneVerbs = map[string]func(w *World, h *handset, s *scene) error{
	"offline": func(w *World, h *handset, s *scene) error { w.Offline(h); return nil },
	"online":  func(w *World, h *handset, s *scene) error { w.Online(h); return nil },
	"sync":    func(w *World, h *handset, s *scene) error { return w.SyncPhone(h) },
	"restart": func(w *World, h *handset, s *scene) error { return h.start() },

	// cut N: the link breaks at the N-th frame from now on, in either direction.
	"cut": func(w *World, h *handset, s *scene) (err error) {
		arg, err := s.next("the number of frames")
		if err == nil {
			h.cut, err = strconv.Atoi(arg)
		}
		return err
	},
	// crash [at=STEP [nth=N]]: now, or just before a step to come.
	"crash": func(w *World, h *handset, s *scene) error {
		opt, err := s.options()
		if err != nil {
			return err
		}
		nth := 1
		if opt["nth"] != "" {
			if nth, err = strconv.Atoi(opt["nth"]); err != nil {
				return err
			}
		}
		return w.Crash(h, opt["at"], nth)
	},
	// clock DURATION: how far the phone's clock is ahead; negative = behind.
	"clock": func(w *World, h *handset, s *scene) error {
		arg, err := s.next("how far it is ahead")
		if err != nil {
			return err
		}
		d, err := time.ParseDuration(arg)
		h.skew = d.Milliseconds()
		return err
	},
	"meet": func(w *World, h *handset, s *scene) error {
		other, err := s.next("the other phone")
		if err != nil {
			return err
		}
		if w.phones[other] == nil {
			return fmt.Errorf("there is no phone %s", other)
		}
		return phonesim.Meet(h.phone, w.phones[other].phone)
	},
	"outbox": func(w *World, h *handset, s *scene) error {
		for _, p := range h.phone.Outbox() {
			line, err := w.parcelLine(p)
			if err != nil {
				return err
			}
			s.print(line + "\n")
		}
		return nil
	},
	"rules": func(w *World, h *handset, s *scene) error {
		out, err := h.phone.Rules(h.phone.Now())
		if err == nil {
			s.print(w.Tell(out, s.args...))
		}
		return err
	},
	"documents": func(w *World, h *handset, s *scene) error {
		for _, name := range h.phone.Documents() {
			s.print(name + "\n")
		}
		return nil
	},
	// edits: those that wait or were not accepted.
	"edits": func(w *World, h *handset, s *scene) error {
		for _, e := range h.phone.Edits() {
			line := string(e.State) + " " + strings.TrimPrefix(e.Collection+"."+e.Item, ".") + "." + e.Field
			if e.State != phonesim.Waiting {
				line += " (" + e.Code + ": " + w.named(e.Reason) + ")"
			}
			s.print(line + "\n")
		}
		return nil
	},
	// drain: it hands over what waits, because its access has ended.
	"drain": func(w *World, h *handset, s *scene) error { return w.Drain(h) },
	"log":   logVerb,
	"edit":  editVerb,
}

// phone P edit COLLECTION ITEM FIELD=JSON …
func editVerb(w *World, h *handset, s *scene) error {
	collection, err := s.next("the collection")
	if err != nil {
		return err
	}
	item, err := s.next("the item")
	if err != nil {
		return err
	}
	opt, err := s.options()
	if err != nil {
		return err
	}
	return w.Edit(h, collection, item, opt)
}

// conflicts: fields of the plan with more than one live value, the winner
// first.
func conflictsVerb(w *World, s *scene) error {
	site, err := replay.Read(context.Background(), w.server.store, w.site)
	if err != nil {
		return err
	}
	for _, c := range site.Conflicts {
		s.print(strings.Join(c.Path, "."))
		for _, v := range c.Values {
			s.print(" " + ScalarText(v.Value))
		}
		s.print("\n")
	}
	return nil
}

// phone P log KIND [as=NAME] [by=PERSON] [at=INSTANT] FIELD=VALUE …
func logVerb(w *World, h *handset, s *scene) error {
	kind, err := s.next("the kind of entry")
	if err != nil {
		return err
	}
	opt, err := s.options()
	if err != nil {
		return err
	}
	as := opt["as"]
	delete(opt, "as")
	id, err := w.Log(h, kind, opt)
	if err != nil {
		return err
	}
	if as != "" {
		w.Call(id, as)
		s.ts.Setenv(as, string(id))
	}
	return nil
}
