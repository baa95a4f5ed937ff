package httpapi

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"gatewright/api/accounts"
	"gatewright/api/auth"
	"gatewright/api/problem"
	"gatewright/schema/logbook"
	"gatewright/schema/rights"
)

// drainLimit bounds how many entries a revoked device may hand over in one request.
const drainLimit = 500

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

type quarantineOutput struct {
	Body struct {
		Items []accounts.Refused `json:"items"`
	}
}

type decisionInput struct {
	AtSite
	ID   string `path:"id"`
	Body struct {
		Decision string `json:"decision" enum:"accept,discard"`
		Why      string `json:"why,omitempty" maxLength:"2000"`
	}
}

type decisionOutput struct {
	Body struct {
		Decision string `json:"decision"`
		Entries  int    `json:"entries" doc:"how many entries were written to the log"`
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
	huma.Register(api, guarded(http.MethodGet, site+"/quarantine", "quarantine", "What was refused and waits for a decision (managers)"), s.quarantine)
	huma.Register(api, guarded(http.MethodPost, site+"/quarantine/{id}", "decide-quarantine", "Accept or discard what was refused (managers)"), s.decide)
	drain := guarded(http.MethodPost, site+"/drain", "drain", "A revoked device hands over what it still holds")
	huma.Register(api, drain, s.drain)
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

func (s *Server) quarantine(ctx context.Context, in *AtSite) (*quarantineOutput, error) {
	if _, _, err := s.manager(ctx, *in); err != nil {
		return nil, s.answer(err)
	}
	items, err := s.accounts.Quarantine(ctx, in.Site)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &quarantineOutput{}
	out.Body.Items = items
	return out, nil
}

// decide writes accepted entries under their own ids with an `admitted` entry each, then closes the item: a crash
// between the two is mended by deciding again, since an entry that is there already is passed over.
func (s *Server) decide(ctx context.Context, in *decisionInput) (*decisionOutput, error) {
	_, by, err := s.manager(ctx, in.AtSite)
	if err != nil {
		return nil, s.answer(err)
	}
	item, err := s.accounts.RefusedItem(ctx, in.Site, in.ID)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &decisionOutput{}
	out.Body.Decision = in.Body.Decision
	if in.Body.Decision == "accept" {
		if out.Body.Entries, err = s.accept(ctx, in.Site, item); err != nil {
			return nil, s.answer(err)
		}
	}
	if err := s.accounts.Decide(ctx, in.Site, in.ID, in.Body.Decision, by.ID); err != nil {
		return nil, s.answer(err)
	}
	return out, nil
}

func (s *Server) accept(ctx context.Context, site string, item accounts.Refused) (int, error) {
	n := 0
	for _, text := range item.Entries {
		e, err := logbook.ParseEntry([]byte(text))
		if err != nil {
			return n, problem.New(problem.Invalid, "id", "This item holds no well-formed entry, so it cannot be accepted: "+err.Error()+".")
		}
		admitted, err := s.serverEntry(logbook.Entry{Kind: logbook.Admitted, At: s.now().UnixMilli(), Of: e.ID, How: "accepted", Via: item.Device})
		if err != nil {
			return n, err
		}
		if err := s.hub.WriteEntries(ctx, site, [][]byte{e.Raw, admitted}); err != nil {
			return n, fmt.Errorf("writing an accepted entry: %w", err)
		}
		n++
	}
	if n == 0 {
		return 0, problem.New(problem.Invalid, "id", "This item holds no entry, so it cannot be accepted; it can be discarded.")
	}
	return n, nil
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
	kept, err := s.accounts.KeepDrained(ctx, s.store, in.Site, c.device.ID, in.Body.Entries)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &drainOutput{}
	out.Body.Kept = kept
	return out, nil
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
