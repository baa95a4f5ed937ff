package httpapi

import (
	"context"
	"slices"
	"strings"
	"time"

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
	person string // who has signed in on it; empty when the token speaks for the device alone
}

// authenticate checks the token and that the device may still do this.
func (s *Server) authenticate(ctx context.Context, b Bearer, audience auth.Audience) (caller, error) {
	token, ok := strings.CutPrefix(b.Authorization, "Bearer ")
	if !ok {
		return caller{}, problem.New(problem.Unauthenticated, "Authorization", "Authorization needs Bearer and an access token.")
	}
	if err := s.newKeys(ctx, token); err != nil {
		return caller{}, err
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
	c := caller{device: d, people: people, person: claims.Person}
	if audience != auth.Drain && !slices.ContainsFunc(people, s.current) {
		return caller{}, problem.New(problem.Forbidden, "device", "Everybody's access on this device has ended: it can only hand over what it still holds.")
	}
	return c, nil
}

// current says that a person has a grant of now.
func (s *Server) current(p accounts.Person) bool {
	now := s.now().UnixMilli()
	return p.From <= now && (p.Until == 0 || p.Until > now)
}

// reader authenticates a caller that may have the site's documents: somebody on the device works here. Technicians and
// viewers read what is made of them.
func (s *Server) reader(ctx context.Context, in AtSite) (caller, error) {
	c, err := s.at(ctx, in)
	if err == nil && !s.works(c.people) {
		err = problem.New(problem.Forbidden, "role", "Technicians and viewers do not hold the site's log: ask for its rules and lists.")
	}
	return c, err
}

// works says that somebody has a grant of now with which documents are read.
func (s *Server) works(people []accounts.Person) bool {
	return slices.ContainsFunc(people, func(p accounts.Person) bool { return s.current(p) && rights.HoldsDocuments(p.Role) })
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

// manager authenticates a caller on whose device a manager has signed in, with a grant of now. A manager's tile on a
// shared phone alone is not enough: everybody in the yard has that phone in their hands.
func (s *Server) manager(ctx context.Context, in AtSite) (caller, accounts.Person, error) {
	c, err := s.at(ctx, in)
	if err != nil {
		return caller{}, accounts.Person{}, err
	}
	for _, p := range c.people {
		if p.ID == c.person && s.manages(p) {
			return c, p, nil
		}
	}
	if c.person == "" && slices.ContainsFunc(c.people, s.manages) {
		return caller{}, accounts.Person{}, problem.New(problem.Forbidden, "person", "This needs a manager who has signed in on this device.")
	}
	return caller{}, accounts.Person{}, problem.New(problem.Forbidden, "role", "Only a manager of this site may do this.")
}

// owner is a manager who may see what happened and make owners.
func (s *Server) owner(ctx context.Context, in AtSite) (caller, accounts.Person, error) {
	c, p, err := s.manager(ctx, in)
	if err == nil && !p.Owner {
		err = problem.New(problem.Forbidden, "role", "Only an owner of this site may do this.")
	}
	return c, p, err
}

// manages says that a person has a manager's grant of now.
func (s *Server) manages(p accounts.Person) bool {
	return p.Role == rights.Manager && s.current(p)
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
	if !author.Reads(s.now().UnixMilli()) {
		return hub.Identity{}, problem.New(problem.Forbidden, "device", "Nobody on this device has access to the site's log now.")
	}
	return hub.Identity{Site: d.Site, Device: d.ID, Author: author, Sender: sender}, nil
}

// reloadEvery is how often at most a token of an unknown key makes the server ask the database for keys.
const reloadEvery = time.Second

// newKeys asks the database for the signing keys when a token names one that is not here: another node or the console
// may have made it.
func (s *Server) newKeys(ctx context.Context, token string) error {
	if s.tokens.Knows(token) {
		return nil
	}
	now, last := s.now().UnixMilli(), s.reloaded.Load()
	if now-last < reloadEvery.Milliseconds() && now >= last || !s.reloaded.CompareAndSwap(last, now) {
		return nil
	}
	return ReloadKeys(ctx, s.accounts, s.tokens)
}

// ReloadKeys takes the signing keys that the database has, and deletes those whose tokens have run out.
func ReloadKeys(ctx context.Context, a *accounts.Accounts, t *auth.Tokens) error {
	if err := a.DropOldKeys(ctx, auth.KeyLife); err != nil {
		return err
	}
	stored, err := a.ServerKeys(ctx)
	if err != nil {
		return err
	}
	keys := make([]auth.Key, len(stored))
	for i, k := range stored {
		keys[i] = auth.Key{ID: k.ID, Private: k.Private, Retired: k.Retired}
	}
	return t.SetKeys(keys)
}
