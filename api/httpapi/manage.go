package httpapi

import (
	"context"
	"net/http"
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
	}
}

type inviteOutput struct {
	Body struct {
		Code    string `json:"code"`
		Link    string `json:"link"`
		Expires int64  `json:"expires" doc:"ms since 1970"`
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
	huma.Register(api, guarded(http.MethodPost, site+"/restore-window", "restore-window", "Let phones heal a restored server (managers)"), s.restoreWindow)
}

func (s *Server) invite(ctx context.Context, in *inviteInput) (*inviteOutput, error) {
	_, by, err := s.manager(ctx, in.AtSite)
	if err != nil {
		return nil, s.answer(err)
	}
	expires := s.now().Add(accounts.InviteLife).UnixMilli()
	code, err := s.accounts.Invite(ctx, accounts.Invitation{Site: in.Site, Role: rights.Role(in.Body.Role),
		Name: in.Body.Name, Person: in.Body.Person, Expires: expires}, by.ID)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &inviteOutput{}
	out.Body.Code, out.Body.Link, out.Body.Expires = code, accounts.JoinLink(s.origin, code), expires
	return out, nil
}

func (s *Server) endPerson(ctx context.Context, in *personInput) (*personOutput, error) {
	if _, _, err := s.manager(ctx, in.AtSite); err != nil {
		return nil, s.answer(err)
	}
	until := s.now().UnixMilli()
	if err := s.accounts.EndPerson(ctx, in.Site, in.Person, until); err != nil {
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
	if _, _, err := s.manager(ctx, in.AtSite); err != nil {
		return nil, s.answer(err)
	}
	if err := s.accounts.Revoke(ctx, in.Site, in.Device); err != nil {
		return nil, s.answer(err)
	}
	s.hub.DropDevice(in.Site, in.Device)
	s.log.Info("device revoked", "site", in.Site, "device", in.Device)
	return s.devices(ctx, &in.AtSite)
}

func (s *Server) restoreWindow(ctx context.Context, in *restoreInput) (*restoreOutput, error) {
	if _, _, err := s.manager(ctx, in.AtSite); err != nil {
		return nil, s.answer(err)
	}
	if in.Body.Minutes < 0 || in.Body.Minutes > restoreLimit {
		return nil, s.answer(problem.New(problem.Invalid, "minutes", "minutes must be 0 to 1440."))
	}
	until := int64(0)
	if in.Body.Minutes > 0 {
		until = s.now().Add(time.Duration(in.Body.Minutes) * time.Minute).UnixMilli()
	}
	if err := s.accounts.OpenRestoreWindow(ctx, in.Site, until); err != nil {
		return nil, s.answer(err)
	}
	s.hub.OpenRestore(in.Site, until)
	out := &restoreOutput{}
	out.Body.Until = until
	return out, nil
}
