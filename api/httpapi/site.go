package httpapi

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"gatewright/api/accounts"
	"gatewright/api/problem"
	"gatewright/schema/logbook"
	"gatewright/sync/replay"
)

type ticketOutput struct {
	Body struct {
		Ticket  string `json:"ticket"`
		Socket  string `json:"socket" doc:"path of the socket with the ticket in it"`
		Expires int64  `json:"expires" doc:"ms since 1970"`
	}
}

type document struct {
	Name  string   `json:"name" doc:"plan, or log/YYYY-MM"`
	ID    string   `json:"id" doc:"documentId"`
	URL   string   `json:"url" doc:"the same for automerge-repo's find"`
	Heads []string `json:"heads"`
}

type documentsOutput struct {
	Body struct {
		Documents []document `json:"documents"`
	}
}

type peopleOutput struct {
	Body struct {
		People []accounts.Person `json:"people"`
	}
}

type rulesInput struct {
	AtSite
	At string `query:"at" doc:"RFC 3339 or ms since 1970; now when left out"`
}

func (s *Server) siteRoutes(api huma.API) {
	huma.Register(api, guarded(http.MethodPost, "/api/v1/sites/{site}/tickets", "ticket", "A single-use ticket for the socket"), s.ticket)
	huma.Register(api, guarded(http.MethodGet, "/api/v1/sites/{site}/documents", "documents", "The site's documents and their heads"), s.documents)
	huma.Register(api, guarded(http.MethodGet, "/api/v1/sites/{site}/people", "people", "The site's people: names live here only"), s.people)
	huma.Register(api, guarded(http.MethodGet, "/api/v1/sites/{site}/rules", "rules", "Flags, due list and completion, as canonical JSON"), s.rules)
}

func (s *Server) ticket(ctx context.Context, in *AtSite) (*ticketOutput, error) {
	c, err := s.reader(ctx, *in)
	if err != nil {
		return nil, s.answer(err)
	}
	expires := s.now().Add(accounts.TicketLife).UnixMilli()
	secret, err := s.accounts.NewTicket(ctx, accounts.Ticket{Site: in.Site, Device: c.device.ID, Expires: expires})
	if err != nil {
		return nil, s.answer(err)
	}
	out := &ticketOutput{}
	out.Body.Ticket, out.Body.Socket, out.Body.Expires = secret, "/sync/v1?ticket="+secret, expires
	return out, nil
}

func (s *Server) documents(ctx context.Context, in *AtSite) (*documentsOutput, error) {
	if _, err := s.reader(ctx, *in); err != nil {
		return nil, s.answer(err)
	}
	docs, err := s.store.Documents(ctx, in.Site)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &documentsOutput{}
	out.Body.Documents = []document{}
	for _, d := range docs {
		heads := make([]string, len(d.Heads))
		for i, h := range d.Heads {
			heads[i] = h.String()
		}
		out.Body.Documents = append(out.Body.Documents, document{Name: d.Name, ID: d.ID, URL: "automerge:" + d.ID, Heads: heads})
	}
	return out, nil
}

func (s *Server) people(ctx context.Context, in *AtSite) (*peopleOutput, error) {
	c, err := s.at(ctx, *in)
	if err != nil {
		return nil, s.answer(err)
	}
	people, err := s.accounts.People(ctx, in.Site)
	if err != nil {
		return nil, s.answer(err)
	}
	if !s.works(c.people) { // whoever looks on from outside sees gates and upkeep, not who did it
		for i := range people {
			if !slices.ContainsFunc(c.people, func(p accounts.Person) bool { return p.ID == people[i].ID }) {
				people[i].Name = ""
			}
		}
	}
	out := &peopleOutput{}
	out.Body.People = people
	return out, nil
}

func (s *Server) rules(ctx context.Context, in *rulesInput) (*canonical, error) {
	if _, err := s.at(ctx, in.AtSite); err != nil {
		return nil, s.answer(err)
	}
	at, err := s.instant(in.At)
	if err != nil {
		return nil, s.answer(err)
	}
	engine, err := replay.Rules(ctx, s.store, in.Site)
	if err != nil {
		return nil, s.answer(err)
	}
	return &canonical{ContentType: "application/json", Body: engine.Evaluate(at).AppendJSON(nil)}, nil
}

func (s *Server) instant(text string) (int64, error) {
	if text == "" {
		return s.now().UnixMilli(), nil
	}
	return ParseInstant("at", text)
}

// ParseInstant reads an instant as RFC 3339 or as ms since 1970, within the years of the logbook.
func ParseInstant(field, text string) (int64, error) {
	ms, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		t, err := time.Parse(time.RFC3339, text)
		if err != nil {
			return 0, problem.New(problem.Invalid, field, field+" must be an RFC 3339 time, such as 2026-03-29T05:30:00Z, or milliseconds since 1970.")
		}
		ms = t.UnixMilli()
	}
	if ms < logbook.FirstInstant || ms > logbook.LastInstant {
		return 0, problem.New(problem.Invalid, field, field+" must lie in the years 2000 to 2099.")
	}
	return ms, nil
}

// serverEntry encodes an entry of the server's own.
func (s *Server) serverEntry(e logbook.Entry) ([]byte, error) {
	var random [10]byte
	if _, err := rand.Read(random[:]); err != nil {
		return nil, fmt.Errorf("drawing an entry id: %w", err)
	}
	e.ID = logbook.NewEntryID(s.now().UnixMilli(), random)
	e.By, e.Dev = logbook.Server, logbook.Server
	raw, err := e.Encode()
	if err != nil {
		return nil, fmt.Errorf("writing a server entry: %w", err)
	}
	return raw, nil
}
