package httpapi

import (
	"context"
	"strings"

	"gatewright/api/accounts"
	"gatewright/api/auth"
	"gatewright/api/problem"
	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// Bearer is the part of a request that says who calls.
type Bearer struct {
	Authorization string `header:"Authorization" doc:"Bearer and an access token"`
}

// AtSite is a guarded request about one site. Both are exported because huma fills only exported embedded structs.
type AtSite struct {
	Bearer
	Site string `path:"site" doc:"the site's id"`
}

// caller is a device that has shown a valid token, with the people on it.
type caller struct {
	device accounts.Device
	people []accounts.Person
}

// authenticate checks the token and that the device may still do this.
func (s *Server) authenticate(ctx context.Context, b Bearer, audience auth.Audience) (caller, error) {
	token, ok := strings.CutPrefix(b.Authorization, "Bearer ")
	if !ok {
		return caller{}, problem.New(problem.Unauthenticated, "Authorization", "Authorization needs Bearer and an access token.")
	}
	claims, err := s.tokens.Check(token, audience)
	if err != nil {
		return caller{}, err
	}
	d, err := s.accounts.Device(ctx, claims.Device)
	if err != nil && problem.From(err).Kind != problem.NotFound {
		return caller{}, err // the database's trouble, and not the device's
	}
	if err != nil || d.Site != claims.Site {
		return caller{}, problem.New(problem.Unauthenticated, "Authorization", "The device of this token is not known here.")
	}
	if d.Revoked != 0 && audience != auth.Drain {
		return caller{}, problem.New(problem.Forbidden, "device", "This device was revoked: it can only hand over what it still holds.")
	}
	people, err := s.accounts.PeopleOn(ctx, d.Site, d.ID)
	if err != nil {
		return caller{}, err
	}
	return caller{device: d, people: people}, nil
}

// at authenticates a caller for a site. Another site's callers learn nothing, not even that it exists.
func (s *Server) at(ctx context.Context, in AtSite) (caller, error) {
	c, err := s.authenticate(ctx, in.Bearer, auth.API)
	if err != nil {
		return caller{}, err
	}
	if c.device.Site != in.Site {
		return caller{}, problem.New(problem.NotFound, "site", "There is no such site here.")
	}
	return c, nil
}

// manager authenticates a caller that has a manager with a grant of now among its people.
func (s *Server) manager(ctx context.Context, in AtSite) (caller, accounts.Person, error) {
	c, err := s.at(ctx, in)
	if err != nil {
		return caller{}, accounts.Person{}, err
	}
	for _, p := range c.people {
		if s.manages(p) {
			return c, p, nil
		}
	}
	return caller{}, accounts.Person{}, problem.New(problem.Forbidden, "role", "Only a manager of this site may do this.")
}

// managerNamed finds one manager among the people of a device.
func (s *Server) managerNamed(c caller, person string) (accounts.Person, error) {
	for _, p := range c.people {
		if p.ID == person && s.manages(p) {
			return p, nil
		}
	}
	return accounts.Person{}, problem.New(problem.Forbidden, "by", "by names nobody who is a manager on this device.")
}

// manages says that a person has a manager's grant of now.
func (s *Server) manages(p accounts.Person) bool {
	now := s.now().UnixMilli()
	return p.Role == rights.Manager && p.From <= now && (p.Until == 0 || p.Until > now)
}

// identity is what the hub goes by for a device's socket.
func (s *Server) identity(ctx context.Context, d accounts.Device, sender string) (hub.Identity, error) {
	author, ok, err := s.store.AuthorOf(ctx, d.Site, d.ID)
	if err != nil {
		return hub.Identity{}, err
	}
	if !ok || author.Revoked != 0 {
		return hub.Identity{}, problem.New(problem.Forbidden, "device", "This device was revoked.")
	}
	return hub.Identity{Site: d.Site, Device: d.ID, Author: author, Sender: sender}, nil
}
