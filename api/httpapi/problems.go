package httpapi

import (
	"errors"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/validation"
	"github.com/gofiber/fiber/v2"

	"gatewright/api/problem"
	"gatewright/sync/hub"
)

// details is the one error shape: problem details after RFC 9457 with the field it is about and a stable code.
type details struct {
	Type   string `json:"type" doc:"always about:blank: title and code say what it is"`
	Title  string `json:"title" doc:"the HTTP status in words"`
	Status int    `json:"status" doc:"the HTTP status"`
	Detail string `json:"detail" doc:"one sentence for a person"`
	Field  string `json:"field,omitempty" doc:"the field of the request it is about"`
	Code   string `json:"code" doc:"a stable word for programs"`
}

func (d *details) Error() string             { return d.Detail }
func (d *details) GetStatus() int            { return d.Status }
func (d *details) ContentType(string) string { return "application/problem+json" }

func detailsOf(e *problem.Error) *details {
	status := e.Kind.Status()
	return &details{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: e.Sentence, Field: e.Field, Code: e.Kind.String()}
}

// missing begins what huma says of a field that is not there; the name follows.
const missing = "is missing: "

func init() {
	validation.MsgExpectedRequiredProperty = missing + "%s"
	// huma makes its own errors (bodies that are no JSON, missing fields) through this hook.
	huma.NewError = func(status int, message string, errs ...error) huma.StatusError {
		e := problem.New(problem.KindOf(status), "", sentence(message))
		if status == http.StatusUnprocessableEntity {
			e.Kind = problem.Invalid
		}
		var detailer huma.ErrorDetailer
		switch {
		case status == http.StatusRequestEntityTooLarge:
			e.Sentence = "body is too large for this address."
		case len(errs) == 0 && status == http.StatusBadRequest:
			e.Field, e.Sentence = "body", "body is missing: this address takes a JSON object."
		case len(errs) > 0 && errors.As(errs[0], &detailer): // the first is enough to mend first
			e.Field, e.Sentence = said(status, detailer.ErrorDetail())
		case len(errs) > 0 && errs[0] != nil:
			e.Sentence = sentence(message + ": " + errs[0].Error())
		}
		return detailsOf(e)
	}
}

// said gives the field and the sentence of huma's own error.
func said(status int, d *huma.ErrorDetail) (name, text string) {
	name = field(d.Location)
	if name == "body" && status == http.StatusBadRequest {
		return name, "body is not one well-formed JSON object."
	}
	if part, ok := strings.CutPrefix(d.Message, missing); ok {
		if name == "body" {
			name = part
		} else {
			name += "." + part
		}
		return name, name + " is missing."
	}
	return name, sentence(name + ": " + d.Message)
}

func field(location string) string {
	for _, p := range []string{"body.", "path.", "query.", "header."} {
		if rest, ok := strings.CutPrefix(location, p); ok {
			return rest
		}
	}
	return location
}

func sentence(s string) string {
	s = strings.TrimPrefix(strings.TrimSpace(s), ": ")
	if s == "" {
		return "The request is wrong."
	}
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

// public finds the error that may be shown. A disk without room is worth its own sentence: somebody can do something
// about it, and a phone that comes again later loses nothing. So has a database that is away for a moment.
func public(err error) *problem.Error {
	if errors.Is(err, hub.ErrAway) {
		return &problem.Error{Kind: problem.Unavailable, Cause: err,
			Sentence: "The server's database does not answer: try again in a moment."}
	}
	if errors.Is(err, hub.ErrFull) {
		return &problem.Error{Kind: problem.Unavailable, Cause: err,
			Sentence: "The server's disk is full: nothing was stored, and it goes on by itself when there is room."}
	}
	return problem.From(err)
}

// answer turns an error of the inner packages into the public one, logging what is ours.
func (s *Server) answer(err error) error {
	if err == nil {
		return nil
	}
	e := public(err)
	if e.Kind == problem.Internal || e.Kind == problem.Unavailable {
		s.log.Error("request failed", "error", err)
	}
	return detailsOf(e)
}

// plain says what the server itself turned down.
func plain(c *fiber.Ctx, e *fiber.Error) string {
	switch e.Code {
	case http.StatusNotFound:
		return "There is nothing at this address."
	case http.StatusMethodNotAllowed:
		return "This address does not take " + c.Method() + "."
	case http.StatusRequestEntityTooLarge:
		return "body is too large: at most 1 MiB are taken."
	}
	return sentence(e.Message)
}

// fiberError answers what never reached huma: unknown routes, bodies that are too large, panics.
func (s *Server) fiberError(c *fiber.Ctx, err error) error {
	var d *details
	if !errors.As(err, &d) {
		var fe *fiber.Error
		if errors.As(err, &fe) {
			d = detailsOf(problem.New(problem.KindOf(fe.Code), "", plain(c, fe)))
			d.Status, d.Title = fe.Code, http.StatusText(fe.Code)
		} else {
			e := public(err)
			if e.Kind == problem.Internal {
				s.log.Error("request failed", "path", c.Path(), "error", err)
			}
			d = detailsOf(e)
		}
	}
	s.setHeaders(c) // what the server itself turns down never came by the middleware
	c.Set(fiber.HeaderCacheControl, "no-store")
	c.Status(d.Status)
	if err := c.JSON(d); err != nil {
		return err
	}
	c.Set(fiber.HeaderContentType, "application/problem+json")
	return nil
}
