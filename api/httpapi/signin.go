package httpapi

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humafiber"
	"github.com/go-webauthn/webauthn/protocol"
	"github.com/go-webauthn/webauthn/webauthn"

	"gatewright/api/accounts"
	"gatewright/api/auth"
	"gatewright/api/problem"
)

// A manager signs in on a device: by a passkey, a passphrase or a recovery code. The answer is a token that names the
// person; the routes of managers take no other.

type wayInput struct {
	Bearer
	Person string `path:"person" maxLength:"32"`
}

type waysOutput struct {
	Body struct {
		Ways accounts.Ways `json:"ways"`
		// Setup: nothing is set yet, so this device may set the first way in.
		Setup bool `json:"needs_setup"`
	}
}

// PersonBody names who signs in; exported because huma fills only exported embedded structs.
type PersonBody struct {
	Person string `json:"person" doc:"who, of the people on this device" maxLength:"32"`
}

type phraseInput struct {
	Bearer
	Body struct {
		PersonBody
		Passphrase string `json:"passphrase" doc:"12 to 200 characters" maxLength:"800"`
	}
}

type recoveryInput struct {
	Bearer
	Body struct {
		PersonBody
		Code string `json:"code" maxLength:"64"`
	}
}

type personOnly struct {
	Bearer
	Body PersonBody
}

type beginOutput struct {
	Body struct {
		Ceremony string `json:"ceremony" doc:"to be sent back with the answer, once, within five minutes"`
		Options  any    `json:"options" doc:"publicKey options of the Web Authentication API, as JSON"`
	}
}

type finishInput struct {
	Bearer
	Body struct {
		Ceremony   string          `json:"ceremony" maxLength:"64"`
		Label      string          `json:"label,omitempty" doc:"what to call the passkey" maxLength:"200"`
		Credential json.RawMessage `json:"credential" doc:"the browser's answer, as JSON"`
	}
}

type setOutput struct {
	Body struct {
		// Recovery is given with the first way in, and never again.
		Recovery []string `json:"recovery,omitempty" doc:"recovery codes: shown once, each opens once"`
	}
}

func (s *Server) signInRoutes(api huma.API) {
	const p = "/api/v1/auth"
	huma.Register(api, guarded(http.MethodGet, p+"/person/{person}", "ways", "By what a manager on this device can sign in"), s.ways)
	huma.Register(api, guarded(http.MethodPost, p+"/passphrase/set", "set-passphrase", "Set a manager's passphrase"), s.setPassphrase)
	huma.Register(api, guarded(http.MethodPost, p+"/passphrase/login", "passphrase", "Sign in with a passphrase"), s.passphrase)
	huma.Register(api, guarded(http.MethodPost, p+"/recovery/login", "recovery", "Sign in with a recovery code"), s.recovery)
	huma.Register(api, guarded(http.MethodPost, p+"/recovery/new", "new-recovery", "Fresh recovery codes (signed in)"), s.newRecovery)
	huma.Register(api, guarded(http.MethodPost, p+"/passkey/register/begin", "begin-passkey", "Begin to add a passkey"), s.beginPasskey)
	huma.Register(api, guarded(http.MethodPost, p+"/passkey/register/finish", "finish-passkey", "Add a passkey"), s.finishPasskey)
	huma.Register(api, guarded(http.MethodPost, p+"/passkey/login/begin", "begin-passkey-login", "Begin to sign in with a passkey"), s.beginLogin)
	huma.Register(api, guarded(http.MethodPost, p+"/passkey/login/finish", "passkey", "Sign in with a passkey"), s.finishLogin)
}

// on authenticates a device and finds a manager among its people.
func (s *Server) on(ctx context.Context, b Bearer, person string) (caller, accounts.Person, error) {
	c, err := s.authenticate(ctx, b, auth.API)
	if err != nil {
		return caller{}, accounts.Person{}, err
	}
	p, err := s.managerOn(c, person)
	return c, p, err
}

// managerOn finds a manager among the people of a device.
func (s *Server) managerOn(c caller, person string) (accounts.Person, error) {
	i := slices.IndexFunc(c.people, func(p accounts.Person) bool { return p.ID == person })
	if i < 0 || !s.current(c.people[i]) {
		return accounts.Person{}, problem.New(problem.NotFound, "person", "person is nobody on this device.")
	}
	if !s.manages(c.people[i]) {
		return accounts.Person{}, problem.New(problem.Forbidden, "person", "Only managers sign in; for all others the device is enough.")
	}
	return c.people[i], nil
}

// trust says how sure it is that the caller is the person.
func (c caller) trust(person string) accounts.Trust {
	return accounts.Trust(c.person == person)
}

func (s *Server) ways(ctx context.Context, in *wayInput) (*waysOutput, error) {
	_, p, err := s.on(ctx, in.Bearer, in.Person)
	if err != nil {
		return nil, s.answer(err)
	}
	w, err := s.accounts.WaysIn(ctx, p.ID)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &waysOutput{}
	out.Body.Ways, out.Body.Setup = w, w.None()
	return out, nil
}

func (s *Server) setPassphrase(ctx context.Context, in *phraseInput) (*setOutput, error) {
	c, p, err := s.on(ctx, in.Bearer, in.Body.Person)
	if err != nil {
		return nil, s.answer(err)
	}
	codes, err := s.accounts.SetPassphrase(ctx, p.ID, in.Body.Passphrase, c.trust(p.ID))
	s.happened(ctx, c, "set passphrase", p.ID, err)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &setOutput{}
	out.Body.Recovery = codes
	return out, nil
}

// try lets a way in be tried: it waits for its turn after failures, counts them, and answers with a token.
func (s *Server) try(ctx context.Context, c caller, person, what string, check func() error) (*tokenOutput, error) {
	wait, err := s.accounts.SignInWait(ctx, c.device.ID, person)
	if err != nil {
		return nil, s.answer(err)
	}
	if wait > 0 {
		err := problem.New(problem.TooMany, "person", "Too many wrong tries on this device: wait "+waiting(wait)+".")
		s.happened(ctx, c, what, person, err)
		return nil, huma.ErrorWithHeaders(s.answer(err), http.Header{"Retry-After": {strconv.Itoa(int(wait/time.Second) + 1)}})
	}
	err = check()
	s.happened(ctx, c, what, person, err)
	if err != nil {
		if problem.From(err).Kind == problem.Unauthenticated {
			err = errors.Join(err, s.accounts.SignInFailed(ctx, c.device.ID, person))
		}
		return nil, s.answer(err)
	}
	if err := s.accounts.SignInDone(ctx, c.device.ID, person); err != nil {
		return nil, s.answer(err)
	}
	token, err := s.tokens.Issue(auth.Claims{Device: c.device.ID, Site: c.device.Site, Audience: auth.API, Person: person})
	if err != nil {
		return nil, s.answer(err)
	}
	out := &tokenOutput{}
	out.Body.AccessToken, out.Body.TokenType, out.Body.ExpiresIn = token, "Bearer", int(auth.TokenLife.Seconds())
	out.Body.ServerTime, out.Body.Person = s.now().UnixMilli(), person
	return out, nil
}

func waiting(d time.Duration) string {
	if d < time.Minute {
		return fmt.Sprintf("%d seconds", int(d/time.Second)+1)
	}
	return fmt.Sprintf("%d minutes", int(d/time.Minute)+1)
}

func (s *Server) passphrase(ctx context.Context, in *phraseInput) (*tokenOutput, error) {
	c, p, err := s.on(ctx, in.Bearer, in.Body.Person)
	if err != nil {
		return nil, s.answer(err)
	}
	return s.try(ctx, c, p.ID, "sign in by passphrase", func() error { return s.accounts.CheckPassphrase(ctx, p.ID, in.Body.Passphrase) })
}

func (s *Server) recovery(ctx context.Context, in *recoveryInput) (*tokenOutput, error) {
	c, p, err := s.on(ctx, in.Bearer, in.Body.Person)
	if err != nil {
		return nil, s.answer(err)
	}
	return s.try(ctx, c, p.ID, "sign in by recovery code", func() error { return s.accounts.UseRecovery(ctx, p.ID, in.Body.Code) })
}

func (s *Server) newRecovery(ctx context.Context, in *personOnly) (*setOutput, error) {
	c, p, err := s.on(ctx, in.Bearer, in.Body.Person)
	if err == nil && c.trust(p.ID) != accounts.SignedIn {
		err = problem.New(problem.Forbidden, "person", "This needs a manager who has signed in on this device.")
	}
	if err != nil {
		return nil, s.answer(err)
	}
	codes, err := s.accounts.NewRecoveryCodes(ctx, p.ID)
	s.happened(ctx, c, "new recovery codes", p.ID, err)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &setOutput{}
	out.Body.Recovery = codes
	return out, nil
}

// keyholder is a person as the Web Authentication library wants one.
type keyholder struct {
	person accounts.Person
	keys   []webauthn.Credential
}

func (k keyholder) WebAuthnID() []byte                         { return []byte(k.person.ID) }
func (k keyholder) WebAuthnName() string                       { return k.person.Name }
func (k keyholder) WebAuthnDisplayName() string                { return k.person.Name }
func (k keyholder) WebAuthnCredentials() []webauthn.Credential { return k.keys }

// relyingParty is this server to a browser's passkeys: its host, and no other origin.
func relyingParty(origin string) (*webauthn.WebAuthn, error) {
	u, err := url.Parse(origin)
	if err != nil {
		return nil, fmt.Errorf("reading the origin: %w", err)
	}
	return webauthn.New(&webauthn.Config{
		RPID: u.Hostname(), RPDisplayName: "Gatewright", RPOrigins: []string{origin},
		AuthenticatorSelection: protocol.AuthenticatorSelection{
			ResidentKey: protocol.ResidentKeyRequirementPreferred, UserVerification: protocol.VerificationRequired,
		},
	})
}

// party is this server and a person with their passkeys. It needs an address that browsers keep passkeys for: a name,
// not a number.
func (s *Server) party(ctx context.Context, p accounts.Person) (*webauthn.WebAuthn, keyholder, error) {
	rp, err := relyingParty(s.origin)
	if err != nil {
		return nil, keyholder{}, &problem.Error{Kind: problem.Unavailable, Sentence: "Passkeys need the server's own address: set its origin.", Cause: err}
	}
	keys, err := s.accounts.Passkeys(ctx, p.ID)
	return rp, keyholder{p, keys}, err
}

// begin starts a ceremony of a person on this device.
func (s *Server) begin(ctx context.Context, in *personOnly, kind string, options func(*webauthn.WebAuthn, keyholder) (any, *webauthn.SessionData, error)) (*beginOutput, error) {
	c, p, err := s.on(ctx, in.Bearer, in.Body.Person)
	if err != nil {
		return nil, s.answer(err)
	}
	rp, who, err := s.party(ctx, p)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &beginOutput{}
	var session *webauthn.SessionData
	if out.Body.Options, session, err = options(rp, who); err != nil {
		return nil, s.answer(err)
	}
	out.Body.Ceremony, err = s.accounts.BeginCeremony(ctx, accounts.Ceremony{Person: p.ID, Device: c.device.ID, Kind: kind, Session: *session})
	if err != nil {
		return nil, s.answer(err)
	}
	return out, nil
}

// end takes up the ceremony that a browser answers, once, on the device that began it.
func (s *Server) end(ctx context.Context, in *finishInput, kind string) (caller, accounts.Person, accounts.Ceremony, error) {
	c, err := s.authenticate(ctx, in.Bearer, auth.API)
	if err != nil {
		return caller{}, accounts.Person{}, accounts.Ceremony{}, err
	}
	ceremony, err := s.accounts.EndCeremony(ctx, in.Body.Ceremony, c.device.ID, kind)
	if err != nil {
		return caller{}, accounts.Person{}, accounts.Ceremony{}, err
	}
	p, err := s.managerOn(c, ceremony.Person)
	return c, p, ceremony, err
}

func noAnswer(cause error) error {
	return &problem.Error{Kind: problem.Invalid, Field: "credential", Sentence: "credential is not a passkey's answer.", Cause: cause}
}

func doesNotHold(cause error) error {
	return &problem.Error{Kind: problem.Unauthenticated, Field: "credential", Sentence: "The passkey's answer does not hold: begin again.", Cause: cause}
}

func (s *Server) beginPasskey(ctx context.Context, in *personOnly) (*beginOutput, error) {
	return s.begin(ctx, in, "register", func(rp *webauthn.WebAuthn, who keyholder) (any, *webauthn.SessionData, error) {
		options, session, err := rp.BeginRegistration(who, webauthn.WithExclusions(webauthn.Credentials(who.keys).CredentialDescriptors()))
		if err != nil {
			return nil, nil, fmt.Errorf("beginning a passkey: %w", err)
		}
		return options.Response, session, nil
	})
}

func (s *Server) finishPasskey(ctx context.Context, in *finishInput) (*setOutput, error) {
	c, p, ceremony, err := s.end(ctx, in, "register")
	if err != nil {
		return nil, s.answer(err)
	}
	codes, err := s.addPasskey(ctx, c, p, ceremony, in)
	s.happened(ctx, c, "add passkey", p.ID, err)
	if err != nil {
		return nil, s.answer(err)
	}
	out := &setOutput{}
	out.Body.Recovery = codes
	return out, nil
}

func (s *Server) addPasskey(ctx context.Context, c caller, p accounts.Person, ceremony accounts.Ceremony, in *finishInput) ([]string, error) {
	rp, who, err := s.party(ctx, p)
	if err != nil {
		return nil, err
	}
	parsed, err := protocol.ParseCredentialCreationResponseBytes(in.Body.Credential)
	if err != nil {
		return nil, noAnswer(err)
	}
	made, err := rp.CreateCredential(who, ceremony.Session, parsed)
	if err != nil {
		return nil, doesNotHold(err)
	}
	return s.accounts.AddPasskey(ctx, p.ID, in.Body.Label, *made, c.trust(p.ID))
}

func (s *Server) beginLogin(ctx context.Context, in *personOnly) (*beginOutput, error) {
	return s.begin(ctx, in, "login", func(rp *webauthn.WebAuthn, who keyholder) (any, *webauthn.SessionData, error) {
		if len(who.keys) == 0 {
			return nil, nil, problem.New(problem.NotFound, "person", "This person has no passkey: take another way in.")
		}
		options, session, err := rp.BeginLogin(who, webauthn.WithUserVerification(protocol.VerificationRequired))
		if err != nil {
			return nil, nil, fmt.Errorf("asking for a passkey: %w", err)
		}
		return options.Response, session, nil
	})
}

func (s *Server) finishLogin(ctx context.Context, in *finishInput) (*tokenOutput, error) {
	c, p, ceremony, err := s.end(ctx, in, "login")
	if err != nil {
		return nil, s.answer(err)
	}
	return s.try(ctx, c, p.ID, "sign in by passkey", func() error { return s.checkPasskey(ctx, p, ceremony, in.Body.Credential) })
}

func (s *Server) checkPasskey(ctx context.Context, p accounts.Person, ceremony accounts.Ceremony, answer []byte) error {
	rp, who, err := s.party(ctx, p)
	if err != nil {
		return err
	}
	parsed, err := protocol.ParseCredentialRequestResponseBytes(answer)
	if err != nil {
		return noAnswer(err)
	}
	used, err := rp.ValidateLogin(who, ceremony.Session, parsed)
	if err != nil {
		return doesNotHold(err)
	}
	if used.Authenticator.CloneWarning {
		return doesNotHold(errors.New("the sign count went back: the passkey may have been copied"))
	}
	return s.accounts.UsedPasskey(ctx, p.ID, *used)
}

// addressKey is where the address of a request stands in its context, for the record of what happened.
type addressKey struct{}

// addressed notes the address that a request counts for.
func (s *Server) addressed(ctx huma.Context, next func(huma.Context)) {
	from, _ := s.sender(humafiber.Unwrap(ctx))
	next(huma.WithValue(ctx, addressKey{}, from))
}

func addressOf(ctx context.Context) string {
	if a, ok := ctx.Value(addressKey{}).(netip.Addr); ok && a.IsValid() {
		return a.String()
	}
	return ""
}
