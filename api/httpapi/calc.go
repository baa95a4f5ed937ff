package httpapi

import (
	"context"
	"errors"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"gatewright/api/auth"
	"gatewright/api/problem"
	"gatewright/schema/calc"
	"gatewright/schema/canon"
	"gatewright/schema/input"
)

type calcInput struct {
	Bearer
	Name    string `path:"name" doc:"the calculation's name, as the list has it"`
	RawBody []byte `contentType:"application/json"`
}

// canonical is an answer that is canonical JSON already.
type canonical struct {
	ContentType string `header:"Content-Type"`
	Body        []byte
}

func (s *Server) calcRoutes(api huma.API) {
	huma.Register(api, guarded(http.MethodGet, "/api/v1/calc", "calculations", "All calculations, with the JSON Schemas of input and answer, units and source"), s.calculations)
	op := guarded(http.MethodPost, "/api/v1/calc/{name}", "calculate", "Do one calculation: its input as the list describes it, its answer as canonical JSON")
	op.MaxBodyBytes = bodyLimit
	op.SkipValidateBody = true // the calculation's own reading says what is wrong, in the same words everywhere
	op.RequestBody = &huma.RequestBody{Required: true, Description: "an object as the list's input schema describes it",
		Content: map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{Type: huma.TypeObject}}}}
	huma.Register(api, op, s.calculate)
}

func (s *Server) calculations(ctx context.Context, in *Bearer) (*canonical, error) {
	if _, err := s.authenticate(ctx, *in, auth.API); err != nil {
		return nil, s.answer(err)
	}
	return &canonical{ContentType: "application/json", Body: calc.ListJSON()}, nil
}

func (s *Server) calculate(ctx context.Context, in *calcInput) (*canonical, error) {
	if _, err := s.authenticate(ctx, in.Bearer, auth.API); err != nil {
		return nil, s.answer(err)
	}
	c, ok := calc.Find(in.Name)
	if !ok {
		return nil, s.answer(problem.New(problem.NotFound, "name", "There is no calculation of this name here."))
	}
	out, err := c.Run(in.RawBody)
	if err != nil {
		return nil, s.uncalculated(in.RawBody, err)
	}
	return &canonical{ContentType: "application/json", Body: out}, nil
}

// uncalculated answers 400 when the body as such is no input, as every route does; and 422 when a field is refused:
// the request was understood, and nothing can be calculated from it.
func (s *Server) uncalculated(body []byte, err error) error {
	var p *input.Problem
	if !errors.As(err, &p) {
		return s.answer(err)
	}
	if _, unread := canon.Parse(body); unread != nil || p.Field == "" {
		return s.answer(problem.New(problem.Invalid, "body", sentence("body: "+p.Error())))
	}
	d := detailsOf(problem.New(problem.Invalid, p.Field, sentence(p.Error())))
	d.Status, d.Title = http.StatusUnprocessableEntity, http.StatusText(http.StatusUnprocessableEntity)
	return d
}
