package httpapi

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"gatewright/api/accounts"
	"gatewright/api/problem"
	"gatewright/schema/rights"
)

// restoreLimit bounds the minutes of a restore window.
const restoreLimit = 24 * 60

type inviteInput struct {
	AtSite
	Body struct {
		Role   string `json:"role" doc:"crew, manager, contractor, technician or viewer"`
		Name   string `json:"name,omitempty" maxLength:"200"`
		Person string `json:"person,omitempty" doc:"a known person, for a further device" maxLength:"32"`

		Gates  []string `json:"gates,omitempty" doc:"ids of the gates that the access is limited to; none = all" maxItems:"100"`
		Doings []string `json:"doings,omitempty" doc:"kinds of entry that it is limited to; none = all of the role" maxItems:"40"`
		From   int64    `json:"from,omitempty" doc:"ms since 1970; from when the invitation is spent, without it" minimum:"0"`
		Until  int64    `json:"until,omitempty" doc:"ms since 1970 at which the access ends by itself" minimum:"0"`
		Owner  bool     `json:"owner,omitempty" doc:"a manager who is an owner, too (owners)"`
	}
}

type inviteOutput struct {
	Body struct {
		Code    string `json:"code"`
		Link    string `json:"link"`
		Expires int64  `json:"expires" doc:"ms since 1970"`

		Short        string `json:"short" doc:"a code to be typed, for ten minutes"`
		ShortExpires int64  `json:"short_expires" doc:"ms since 1970"`
	}
}

type personInput struct {
	AtSite
	Person string `path:"person"`
}

type personOutput struct {
	Body struct {
		Person string `json:"person"`
		Until  int64  `json:"until" doc:"ms since 1970"`
	}
}

type devicesOutput struct {
	Body struct {
		Devices []accounts.Device `json:"devices"`
	}
}

type deviceInput struct {
	AtSite
	Device string `path:"device"`
}

type restoreInput struct {
	AtSite
	Body struct {
		Minutes int `json:"minutes" doc:"how long foreign authors' changes are let in; 0 closes the window" minimum:"0" maximum:"1440"`
	}
}

type restoreOutput struct {
	Body struct {
		Until int64 `json:"until" doc:"ms since 1970; 0 when closed"`
	}
}

func (s *Server) manageRoutes(api huma.API) {
	const site = "/api/v1/sites/{site}"
	huma.Register(api, guarded(http.MethodPost, site+"/invitations", "invite", "A one-use invitation (managers)"), s.invite)
	huma.Register(api, guarded(http.MethodPost, site+"/people/{person}/end", "end-person", "End a person's access (managers)"), s.endPerson)
	huma.Register(api, guarded(http.MethodGet, site+"/devices", "devices", "The site's devices (managers)"), s.devices)
	huma.Register(api, guarded(http.MethodPost, site+"/devices/{device}/revoke", "revoke-device", "Revoke a device (managers)"), s.revoke)
	huma.Register(api, guarded(http.MethodPost, site+"/people/{person}/erase", "erase-person", "Take an ended person's name out of the directory (managers)"), s.erase)
	huma.Register(api, guarded(http.MethodGet, site+"/audit", "audit", "What happened, the latest first (owners)"), s.audit)
	huma.Register(api, guarded(http.MethodPost, site+"/restore-window", "restore-window", "Let phones heal a restored server (owners)"), s.restoreWindow)
}

func (s *Server) invite(ctx context.Context, in *inviteInput) (*inviteOutput, error) {
	c, by, err := s.manager(ctx, in.AtSite)
	if err != nil {
		return nil, s.answer(err)
	}
	if in.Body.Owner && !by.Owner {
		return nil, s.answer(problem.New(problem.Forbidden, "owner", "Only an owner of this site may make another."))
	}
	if in.Body.Person != "" { // whoever spends it speaks for that person from then on
		if err := s.spareOwners(ctx, in.Site, in.Body.Person, by); err != nil {
			return nil, s.answer(err)
		}
	}
	expires := s.now().Add(accounts.InviteLife).UnixMilli()
	made, err := s.accounts.Invite(ctx, accounts.Invitation{Site: in.Site, Role: rights.Role(in.Body.Role),
		Name: in.Body.Name, Person: in.Body.Person, Expires: expires, Owner: in.Body.Owner && in.Body.Role == string(rights.Manager),
		Limits: accounts.Limits{Gates: in.Body.Gates, Doings: in.Body.Doings}, From: in.Body.From, Until: in.Body.Until}, by.ID)
	s.happened(ctx, c, "invite", strings.TrimSpace(in.Body.Role+" "+in.Body.Person), err)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &inviteOutput{}
	out.Body.Code, out.Body.Link, out.Body.Expires = made.Code, accounts.JoinLink(s.origin, made.Code), expires
	out.Body.Short, out.Body.ShortExpires = made.Short, made.ShortUntil
	return out, nil
}

// spareOwners keeps managers who are no owners from what would put them in an owner's place, or the owner out of it.
func (s *Server) spareOwners(ctx context.Context, site, person string, by accounts.Person) error {
	if by.Owner {
		return nil
	}
	people, err := s.accounts.People(ctx, site)
	if err != nil {
		return err
	}
	if slices.ContainsFunc(people, func(p accounts.Person) bool { return p.ID == person && p.Owner && s.current(p) }) {
		return problem.New(problem.Forbidden, "person", "Only an owner of this site may do this with an owner.")
	}
	return nil
}

func (s *Server) endPerson(ctx context.Context, in *personInput) (*personOutput, error) {
	c, by, err := s.manager(ctx, in.AtSite)
	if err == nil {
		err = s.spareOwners(ctx, in.Site, in.Person, by)
	}
	if err != nil {
		return nil, s.answer(err)
	}
	until := s.now().UnixMilli()
	err = s.accounts.EndPerson(ctx, in.Site, in.Person, until)
	s.happened(ctx, c, "end access", in.Person, err)
	if err != nil {
		return nil, s.answer(err)
	}
	s.hub.DropPerson(in.Site, in.Person)
	out := &personOutput{}
	out.Body.Person, out.Body.Until = in.Person, until
	return out, nil
}

func (s *Server) devices(ctx context.Context, in *AtSite) (*devicesOutput, error) {
	if _, _, err := s.manager(ctx, *in); err != nil {
		return nil, s.answer(err)
	}
	devices, err := s.accounts.Devices(ctx, in.Site)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &devicesOutput{}
	out.Body.Devices = devices
	return out, nil
}

func (s *Server) revoke(ctx context.Context, in *deviceInput) (*devicesOutput, error) {
	c, _, err := s.manager(ctx, in.AtSite)
	if err != nil {
		return nil, s.answer(err)
	}
	err = s.accounts.Revoke(ctx, in.Site, in.Device)
	s.happened(ctx, c, "revoke device", in.Device, err)
	if err != nil {
		return nil, s.answer(err)
	}
	s.hub.DropDevice(in.Site, in.Device)
	s.log.Info("device revoked", "site", in.Site, "device", in.Device)
	return s.devices(ctx, &in.AtSite)
}

func (s *Server) restoreWindow(ctx context.Context, in *restoreInput) (*restoreOutput, error) {
	c, _, err := s.owner(ctx, in.AtSite)
	if err != nil {
		return nil, s.answer(err)
	}
	if in.Body.Minutes < 0 || in.Body.Minutes > restoreLimit {
		return nil, s.answer(problem.New(problem.Invalid, "minutes", "minutes must be 0 to 1440."))
	}
	until := int64(0)
	if in.Body.Minutes > 0 {
		until = s.now().Add(time.Duration(in.Body.Minutes) * time.Minute).UnixMilli()
	}
	err = s.accounts.OpenRestoreWindow(ctx, in.Site, until)
	s.happened(ctx, c, "restore window", strconv.Itoa(in.Body.Minutes), err)
	if err != nil {
		return nil, s.answer(err)
	}
	s.hub.OpenRestore(in.Site, until)
	out := &restoreOutput{}
	out.Body.Until = until
	return out, nil
}

// erase takes the name of somebody whose access has ended out of the directory, and their ways in. Documents hold only
// the id; what was signed keeps the name that was printed.
func (s *Server) erase(ctx context.Context, in *personInput) (*personOutput, error) {
	c, _, err := s.manager(ctx, in.AtSite)
	if err != nil {
		return nil, s.answer(err)
	}
	until, err := s.accounts.Erase(ctx, in.Site, in.Person)
	s.happened(ctx, c, "erase", in.Person, err)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &personOutput{}
	out.Body.Person, out.Body.Until = in.Person, until
	return out, nil
}

type auditInput struct {
	AtSite
	Before int64 `query:"before" doc:"ms since 1970; only what happened before; 0 = now" minimum:"0"`
	Limit  int   `query:"limit" doc:"how many at most" minimum:"1" maximum:"500" default:"100"`
}

type auditOutput struct {
	Body struct {
		Events []accounts.Event `json:"events"`
	}
}

func (s *Server) audit(ctx context.Context, in *auditInput) (*auditOutput, error) {
	if _, _, err := s.owner(ctx, in.AtSite); err != nil {
		return nil, s.answer(err)
	}
	events, err := s.accounts.Audit(ctx, in.Site, in.Before, in.Limit)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &auditOutput{}
	out.Body.Events = events
	return out, nil
}

// happened notes what was done, by whom, and how it came out. That it cannot be noted does not undo it.
func (s *Server) happened(ctx context.Context, c caller, what, target string, err error) {
	outcome := accounts.Done
	if err != nil {
		outcome = problem.From(err).Kind.String()
	}
	e := accounts.Event{Site: c.device.Site, Who: c.person, Device: c.device.ID, Address: addressOf(ctx), What: what, Target: target, Outcome: outcome}
	if err := s.accounts.Note(context.WithoutCancel(ctx), e); err != nil {
		s.log.Error("what happened could not be noted", "what", what, "error", err)
	}
}
