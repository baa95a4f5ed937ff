package httpapi

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"gatewright/api/accounts"
	"gatewright/api/auth"
	"gatewright/api/problem"
	"gatewright/schema/logbook"
	"gatewright/sync/accept"
)

const (
	// drainLimit bounds how many entries a revoked device may hand over in one request.
	drainLimit = 500
	// listLimit bounds how many items of the quarantine one answer lists.
	listLimit = 500
)

type quarantineInput struct {
	AtSite
	Decided bool `query:"decided" doc:"true lists what was decided, the latest first, in place of what waits"`
}

// refusedEntry is one entry as it came, with what can be read of it.
type refusedEntry struct {
	Raw     string `json:"raw" doc:"the entry as it came"`
	ID      string `json:"id,omitempty"`
	Kind    string `json:"kind,omitempty"`
	At      int64  `json:"at,omitempty" doc:"when the thing was done, ms since 1970"`
	By      string `json:"by,omitempty" doc:"person"`
	Device  string `json:"device,omitempty" doc:"the device that the entry names"`
	Problem string `json:"problem,omitempty" doc:"why it cannot be accepted, one sentence"`
}

type refusedItem struct {
	ID       string         `json:"id"`
	Document string         `json:"document,omitempty" doc:"plan, or log/YYYY-MM; left out when a revoked device handed it over"`
	Device   string         `json:"device" doc:"that brought it"`
	Label    string         `json:"device_label,omitempty"`
	Person   string         `json:"person,omitempty" doc:"who is named as its author"`
	Code     string         `json:"code" doc:"a stable word for the reason"`
	Reason   string         `json:"reason" doc:"one sentence"`
	At       int64          `json:"at" doc:"when it was refused, ms since 1970"`
	Entries  []refusedEntry `json:"entries"`
	Problem  string         `json:"problem,omitempty" doc:"why the item cannot be accepted, one sentence"`
	Started  bool           `json:"started,omitempty" doc:"it is being accepted, or the server ended while it was: accepting again finishes it"`
	Decision string         `json:"decision,omitempty" doc:"accept or discard"`
	By       string         `json:"decided_by,omitempty" doc:"person"`
	Decided  int64          `json:"decided_at,omitempty" doc:"ms since 1970"`
	Why      string         `json:"why,omitempty"`
}

type quarantineOutput struct {
	Body struct {
		Items []refusedItem `json:"items"`
		More  bool          `json:"more" doc:"there is more than one answer lists"`
	}
}

type decisionInput struct {
	AtSite
	ID   string `path:"id"`
	Body struct {
		Decision string `json:"decision" enum:"accept,discard"`
		Why      string `json:"why,omitempty" doc:"needed to discard" maxLength:"2000"`
		By       string `json:"by,omitempty" doc:"which of the device's managers decides; the first when left out" maxLength:"32"`
	}
}

type decisionOutput struct {
	Body struct {
		Decision string `json:"decision"`
		By       string `json:"decided_by" doc:"person; who was first, when it had been decided the same way"`
		Decided  int64  `json:"decided_at" doc:"ms since 1970"`
		Why      string `json:"why,omitempty"`
		Entries  int    `json:"entries" doc:"how many entries were written to the log now"`
	}
}

type madeDecision struct {
	Entries  []string `json:"entries" doc:"ids of the entries that can be read"`
	Decision string   `json:"decision" doc:"accept or discard"`
	By       string   `json:"decided_by" doc:"person"`
	Decided  int64    `json:"decided_at" doc:"ms since 1970"`
	Why      string   `json:"why,omitempty"`
}

type decisionsOutput struct {
	Body struct {
		Decisions []madeDecision `json:"decisions"`
	}
}

type drainInput struct {
	AtSite
	Body struct {
		Entries []string `json:"entries" doc:"the entries as the phone holds them" maxItems:"500" nullable:"false"`
	}
}

type drainOutput struct {
	Body struct {
		Kept int `json:"kept"`
	}
}

func (s *Server) quarantineRoutes(api huma.API) {
	const site = "/api/v1/sites/{site}"
	huma.Register(api, guarded(http.MethodGet, site+"/quarantine", "quarantine", "What was refused: what waits for a decision, or what was decided (managers)"), s.quarantine)
	huma.Register(api, guarded(http.MethodGet, site+"/quarantine-waiting", "quarantine-waiting", "How much that was refused waits for a decision (devices with a manager on them)"), s.quarantineWaiting)
	huma.Register(api, guarded(http.MethodPost, site+"/quarantine/{id}", "decide-quarantine", "Accept what was refused, or discard it with a reason (managers)"), s.decide)
	huma.Register(api, guarded(http.MethodGet, site+"/decisions", "decisions", "What managers decided about what this device brought, the latest first"), s.decisions)
	drain := guarded(http.MethodPost, site+"/drain", "drain", "A revoked device hands over what it still holds")
	drain.MaxBodyBytes = bodyLimit
	huma.Register(api, drain, s.drain)
}

func (s *Server) quarantine(ctx context.Context, in *quarantineInput) (*quarantineOutput, error) {
	if _, _, err := s.manager(ctx, in.AtSite); err != nil {
		return nil, s.answer(err)
	}
	list := s.accounts.Quarantine
	if in.Decided {
		list = s.accounts.Decided
	}
	items, more, err := list(ctx, in.Site, listLimit)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &quarantineOutput{}
	out.Body.Items, out.Body.More = []refusedItem{}, more
	for _, r := range items {
		out.Body.Items = append(out.Body.Items, told(r))
	}
	return out, nil
}

type waitingOutput struct {
	Body struct {
		Waiting int `json:"waiting"`
	}
}

// quarantineWaiting says how much waits, and nothing of what: it tells a manager that it is worth signing in.
func (s *Server) quarantineWaiting(ctx context.Context, in *AtSite) (*waitingOutput, error) {
	c, err := s.at(ctx, *in)
	if err == nil && !slices.ContainsFunc(c.people, s.manages) {
		err = problem.New(problem.Forbidden, "role", "Only a manager of this site may do this.")
	}
	if err != nil {
		return nil, s.answer(err)
	}
	out := &waitingOutput{}
	if out.Body.Waiting, err = s.accounts.QuarantineWaiting(ctx, in.Site); err != nil {
		return nil, s.answer(err)
	}
	return out, nil
}

// told is an item as a manager reads it.
func told(r accounts.Refused) refusedItem {
	out := refusedItem{ID: r.ID, Document: r.Document, Device: r.Device, Label: r.Label, Person: r.Person, Code: r.Code,
		Reason: r.Reason, At: r.At, Entries: []refusedEntry{}, Started: r.Decided == 0 && r.Claimed != 0}
	if r.Decided != 0 {
		out.Decision, out.By, out.Decided, out.Why = r.Decision, r.By, r.Decided, r.Why
	} else if _, err := accept.Read(r.Document, r.Entries); err != nil {
		out.Problem = err.Error()
	}
	for _, text := range r.Entries {
		line := refusedEntry{Raw: text}
		if _, err := accept.ReadOne(text); err != nil {
			line.Problem = err.Error()
		}
		if e, err := logbook.ParseEntry([]byte(text)); err == nil {
			line.ID, line.Kind, line.At, line.By, line.Device = string(e.ID), string(e.Kind), e.At, e.By, e.Dev
			if out.Person == "" {
				out.Person = e.By
			}
		}
		out.Entries = append(out.Entries, line)
	}
	return out
}

// decide lets a manager accept or discard an item. Who decides the same again is told what was decided before.
func (s *Server) decide(ctx context.Context, in *decisionInput) (*decisionOutput, error) {
	c, by, err := s.manager(ctx, in.AtSite)
	if err != nil {
		return nil, s.answer(err)
	}
	if in.Body.By != "" && in.Body.By != by.ID {
		return nil, s.answer(problem.New(problem.Forbidden, "by", "by is not who has signed in on this device."))
	}
	why := strings.TrimSpace(in.Body.Why)
	var item accounts.Refused
	written := 0
	if in.Body.Decision == accounts.Accept {
		item, written, err = s.accept(ctx, in.Site, in.ID, by.ID, why)
	} else {
		if why == "" {
			return nil, s.answer(problem.New(problem.Invalid, "why", "why is missing: say in a few words why this is discarded."))
		}
		item, err = s.accounts.Discard(ctx, in.Site, in.ID, by.ID, why)
	}
	s.happened(ctx, c, "quarantine "+in.Body.Decision, in.ID, err)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &decisionOutput{}
	out.Body.Decision, out.Body.By, out.Body.Decided, out.Body.Why, out.Body.Entries = item.Decision, item.By, item.Decided, item.Why, written
	return out, nil
}

// accept claims the item, writes its entries, and then closes it: a server killed on the way leaves an item that is
// accepted by asking again, and nothing twice. What cannot be written stays open.
func (s *Server) accept(ctx context.Context, site, id, by, why string) (accounts.Refused, int, error) {
	item, err := s.accounts.Claim(ctx, site, id, by)
	if err != nil || item.Decided != 0 {
		return item, 0, err
	}
	log := accept.Log{Load: s.store.Load, Write: s.hub.WriteEntries}
	written, err := log.In(ctx, accept.Item{Site: site, Document: item.Document, Device: item.Device, Entries: item.Entries, At: item.Claimed})
	var cannot *accept.Cannot
	if errors.As(err, &cannot) {
		if err := s.accounts.Unclaim(ctx, site, id); err != nil {
			return item, 0, err
		}
		return item, 0, problem.New(problem.Conflict, "decision", cannot.Sentence)
	}
	if err != nil {
		return item, 0, err
	}
	item, err = s.accounts.Accepted(ctx, site, id, why)
	return item, written, err
}

func (s *Server) decisions(ctx context.Context, in *AtSite) (*decisionsOutput, error) {
	c, err := s.at(ctx, *in)
	if err != nil {
		return nil, s.answer(err)
	}
	items, err := s.accounts.DecidedFor(ctx, in.Site, c.device.ID, listLimit)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &decisionsOutput{}
	out.Body.Decisions = []madeDecision{}
	for _, r := range items {
		m := madeDecision{Entries: []string{}, Decision: r.Decision, By: r.By, Decided: r.Decided, Why: r.Why}
		for _, text := range r.Entries {
			if e, err := logbook.ParseEntry([]byte(text)); err == nil {
				m.Entries = append(m.Entries, string(e.ID))
			}
		}
		out.Body.Decisions = append(out.Body.Decisions, m)
	}
	return out, nil
}

func (s *Server) drain(ctx context.Context, in *drainInput) (*drainOutput, error) {
	c, err := s.authenticate(ctx, in.Bearer, auth.Drain)
	if err != nil {
		return nil, s.answer(err)
	}
	if c.device.Site != in.Site {
		return nil, s.answer(problem.New(problem.NotFound, "site", "There is no such site here."))
	}
	if len(in.Body.Entries) > drainLimit {
		return nil, s.answer(problem.New(problem.TooLarge, "entries", "entries has more than 500 items: send them in parts."))
	}
	for i, text := range in.Body.Entries {
		if len(text) > logbook.MaxEntryBytes || !json.Valid([]byte(text)) {
			return nil, s.answer(problem.New(problem.Invalid, fmt.Sprintf("entries[%d]", i), fmt.Sprintf("entries[%d] is not one entry of at most 8 KiB.", i)))
		}
	}
	kept, err := s.accounts.KeepDrained(ctx, in.Site, c.device.ID, in.Body.Entries)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &drainOutput{}
	out.Body.Kept = kept
	return out, nil
}
