package httpapi

import (
	"context"
	"encoding/base64"
	"net/http"
	"slices"

	"github.com/danielgtaylor/huma/v2"

	"gatewright/api/accounts"
	"gatewright/api/auth"
	"gatewright/api/problem"
	"gatewright/schema/logbook"
)

// clockDoubt is the offset (ms) from which a device's clock is worth an entry in the log.
const clockDoubt = 120_000

type lookInput struct {
	Body struct {
		Code string `json:"code" doc:"the invitation's code" maxLength:"64"`
	}
}

type lookOutput struct {
	Body struct {
		Site    accounts.Site `json:"site"`
		Role    string        `json:"role"`
		Name    string        `json:"name,omitempty" doc:"whom it is for, when that is fixed"`
		Expires int64         `json:"expires" doc:"ms since 1970"`
	}
}

type joinInput struct {
	Bearer
	Body struct {
		Code   string `json:"code" doc:"the invitation's code" maxLength:"64"`
		Name   string `json:"name,omitempty" doc:"the person's name, unless the invitation fixes it" maxLength:"200"`
		Device *struct {
			PublicKey string `json:"public_key" doc:"Ed25519 public key, base64url" maxLength:"64"`
			Label     string `json:"label,omitempty" doc:"what to call the phone" maxLength:"200"`
		} `json:"device,omitempty" doc:"left out on an enrolled phone, which sends its token instead"`
	}
}

type joinOutput struct {
	Body struct {
		Site   accounts.Site `json:"site"`
		Device string        `json:"device"`
		Person string        `json:"person"`
		Role   string        `json:"role"`
		Name   string        `json:"name"`
	}
}

type challengeInput struct {
	Body struct {
		Device string `json:"device" maxLength:"32"`
	}
}

type challengeOutput struct {
	Body struct {
		Challenge string `json:"challenge"`
		Expires   int64  `json:"expires" doc:"ms since 1970"`
	}
}

type tokenInput struct {
	Body struct {
		Device    string `json:"device" maxLength:"32"`
		Challenge string `json:"challenge" maxLength:"64"`
		Signature string `json:"signature" doc:"Ed25519 over the challenge message, base64url" maxLength:"128"`
		Clock     int64  `json:"clock" doc:"the phone's own clock, ms since 1970" minimum:"0" maximum:"4102444799999"`
	}
}

type tokenOutput struct {
	Body struct {
		AccessToken string `json:"access_token"`
		TokenType   string `json:"token_type"`
		ExpiresIn   int    `json:"expires_in" doc:"seconds"`
		ServerTime  int64  `json:"server_time" doc:"ms since 1970"`
		Person      string `json:"person,omitempty" doc:"who has signed in"`
		Drain       bool   `json:"drain,omitempty" doc:"true for a revoked device: the token only lets it hand over what it holds"`
	}
}

type meOutput struct {
	Body struct {
		Device string            `json:"device"`
		Site   accounts.Site     `json:"site"`
		People []accounts.Person `json:"people"`
	}
}

func (s *Server) enrolment(api huma.API) {
	huma.Register(api, route(http.MethodPost, "/api/v1/invitations/look", "look-invitation", "What an invitation is for, without spending it"), s.look)
	huma.Register(api, route(http.MethodPost, "/api/v1/join", "join", "Spend an invitation on a new device, or add a person to an enrolled one"), s.join)
	huma.Register(api, route(http.MethodPost, "/api/v1/auth/challenge", "challenge", "A fresh challenge for a device to sign"), s.challenge)
	huma.Register(api, route(http.MethodPost, "/api/v1/auth/token", "token", "A signed challenge for a 10-minute access token"), s.token)
	huma.Register(api, guarded(http.MethodGet, "/api/v1/me", "me", "The calling device, its site and its people"), s.me)
}

func (s *Server) look(ctx context.Context, in *lookInput) (*lookOutput, error) {
	var inv accounts.Invitation
	err := s.guess(in.Body.Code, func() (err error) {
		inv, err = s.accounts.Look(ctx, in.Body.Code)
		return err
	})
	if err != nil {
		return nil, s.answer(err)
	}
	out := &lookOutput{}
	if out.Body.Site, err = s.accounts.Site(ctx, inv.Site); err != nil {
		return nil, s.answer(err)
	}
	out.Body.Role, out.Body.Name, out.Body.Expires = string(inv.Role), inv.Name, inv.Expires
	return out, nil
}

func (s *Server) join(ctx context.Context, in *joinInput) (*joinOutput, error) {
	var c caller
	var device string
	var fresh accounts.NewDevice
	switch {
	case in.Body.Device != nil:
		key, err := base64.RawURLEncoding.DecodeString(in.Body.Device.PublicKey)
		if err != nil || len(key) == 0 {
			return nil, s.answer(problem.New(problem.Invalid, "device.public_key",
				"device.public_key must be the 32 bytes of an Ed25519 key in base64url."))
		}
		fresh = accounts.NewDevice{PublicKey: key, Label: in.Body.Device.Label}
	case in.Authorization != "":
		var err error
		if c, err = s.authenticate(ctx, in.Bearer, auth.API); err != nil {
			return nil, s.answer(err)
		}
		device = c.device.ID
	default:
		return nil, s.answer(problem.New(problem.Invalid, "device", "device is missing: a new phone sends its public key."))
	}
	var j accounts.Joined
	err := s.guess(in.Body.Code, func() (err error) {
		j, err = s.accounts.Join(ctx, in.Body.Code, in.Body.Name, device, fresh)
		return err
	})
	if err != nil {
		if device != "" { // what strangers guess at belongs to no site, and would fill the record that nobody reads
			s.happened(ctx, c, "join", "", err)
		}
		return nil, s.answer(err)
	}
	s.happened(ctx, caller{device: accounts.Device{ID: j.Device, Site: j.Site.ID}, person: j.Person.ID}, "join", string(j.Person.Role), nil)
	s.log.Info("joined", "site", j.Site.ID, "device", j.Device, "person", j.Person.ID)
	out := &joinOutput{}
	out.Body.Site, out.Body.Device = j.Site, j.Device
	out.Body.Person, out.Body.Role, out.Body.Name = j.Person.ID, string(j.Person.Role), j.Person.Name
	return out, nil
}

func (s *Server) challenge(ctx context.Context, in *challengeInput) (*challengeOutput, error) {
	out := &challengeOutput{}
	var err error
	if out.Body.Challenge, out.Body.Expires, err = s.accounts.Challenge(ctx, in.Body.Device); err != nil {
		return nil, s.answer(err)
	}
	return out, nil
}

// unproven is the one answer to a proof that does not hold; what is not the caller's fault stays as it is.
func unproven(err error) error {
	if problem.From(err).Kind != problem.Unauthenticated {
		return err
	}
	return &problem.Error{Kind: problem.Unauthenticated, Field: "challenge", Cause: err,
		Sentence: "The challenge is spent or out of time, or its signature is not of a device that is known here: ask for a new one."}
}

func (s *Server) token(ctx context.Context, in *tokenInput) (*tokenOutput, error) {
	signature, err := base64.RawURLEncoding.DecodeString(in.Body.Signature)
	if err != nil {
		return nil, s.answer(problem.New(problem.Invalid, "signature", "signature must be base64url without padding."))
	}
	// The challenge before the device: a device that there is not has no challenge open. Whichever of the two does not
	// hold, the answer is the same, so that nobody can ask which devices there are.
	if err := s.accounts.SpendChallenge(ctx, in.Body.Device, in.Body.Challenge); err != nil {
		return nil, s.answer(unproven(err))
	}
	d, err := s.accounts.Device(ctx, in.Body.Device)
	if err != nil {
		return nil, s.answer(err)
	}
	if err := auth.VerifyChallenge(d.PublicKey, d.ID, in.Body.Challenge, signature); err != nil {
		return nil, s.answer(unproven(err))
	}
	audience := auth.API
	if d.Revoked != 0 {
		audience = auth.Drain
	} else if people, err := s.accounts.PeopleOn(ctx, d.Site, d.ID); err != nil {
		return nil, s.answer(err)
	} else if len(people) > 0 && !slices.ContainsFunc(people, s.current) {
		audience = auth.Drain // everybody's access has ended: what was done in its time can still be handed over
	}
	token, err := s.tokens.Issue(auth.Claims{Device: d.ID, Site: d.Site, Audience: audience})
	if err != nil {
		return nil, s.answer(err)
	}
	now := s.now().UnixMilli()
	if audience == auth.Drain {
		s.happened(ctx, caller{device: d}, "token", d.ID, problem.New(problem.Forbidden, "", "Only to hand over what it holds."))
	}
	if audience == auth.API {
		if err := s.noteClock(ctx, d, now, now-in.Body.Clock); err != nil {
			return nil, s.answer(err)
		}
	}
	out := &tokenOutput{}
	out.Body.AccessToken, out.Body.TokenType, out.Body.ExpiresIn = token, "Bearer", int(auth.TokenLife.Seconds())
	out.Body.ServerTime, out.Body.Drain = now, audience == auth.Drain
	return out, nil
}

// noteClock writes a clock entry when a device's clock is in doubt, or was and is no more: an offset that stays
// within a quarter of the bound of the one noted last is no news.
func (s *Server) noteClock(ctx context.Context, d accounts.Device, now, offset int64) error {
	noted := d.Offset
	if clockNews(noted, offset) {
		s.clocks.Lock() // of two requests at once only the first has news
		defer s.clocks.Unlock()
		fresh, err := s.accounts.Device(ctx, d.ID)
		if err != nil {
			return err
		}
		noted = fresh.Offset
	}
	if clockNews(noted, offset) {
		raw, err := s.serverEntry(logbook.Entry{Kind: logbook.Clock, At: now, Device: d.ID, Offset: offset})
		if err != nil {
			return err
		}
		if err := s.hub.WriteEntries(ctx, d.Site, [][]byte{raw}); err != nil {
			return err
		}
		noted = offset
	}
	return s.accounts.Seen(ctx, d.ID, noted)
}

func clockNews(noted, offset int64) bool {
	doubt, doubted := abs(offset) >= clockDoubt, abs(noted) >= clockDoubt
	return doubt != doubted || (doubt && abs(offset-noted) >= clockDoubt/4)
}

func abs(x int64) int64 {
	if x < 0 {
		return -x
	}
	return x
}

func (s *Server) me(ctx context.Context, in *Bearer) (*meOutput, error) {
	c, err := s.authenticate(ctx, *in, auth.API)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &meOutput{}
	out.Body.Device, out.Body.People = c.device.ID, c.people
	if out.Body.Site, err = s.accounts.Site(ctx, c.device.Site); err != nil {
		return nil, s.answer(err)
	}
	return out, nil
}
