package demo

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"gatewright/api/accounts"
	"gatewright/api/starter"
	"gatewright/schema/rights"
	"gatewright/schema/zones"
	"gatewright/sync/hub"
)

// Writer writes documents: the hub.
type Writer interface {
	WritePlan(ctx context.Context, site string, items []hub.PlanItem) error
	WriteEntries(ctx context.Context, site string, entries [][]byte) error
}

// batch is how many entries are written at a time: progress is told after each.
const batch = 200

// Seed makes the site, its people and its history. told is called with how much of the history is written.
func Seed(ctx context.Context, a *accounts.Accounts, w Writer, now time.Time, told func(done, of int)) (accounts.Site, error) {
	site, err := a.CreateSite(ctx, Slug, siteName, zone)
	if err != nil {
		return site, err
	}
	table, err := zones.Table(zone)
	if err != nil {
		return site, err
	}
	loc, err := time.LoadLocationFromTZData(zone, table)
	if err != nil {
		return site, fmt.Errorf("reading the zone table: %w", err)
	}
	local := now.In(loc)
	begin := time.Date(local.Year(), local.Month(), local.Day()-days, 0, 0, 0, 0, loc).UnixMilli()
	plan, err := starter.Plan(starter.Site{ID: site.ID, Name: site.Name, Zone: zone, Table: table, TableVersion: zones.Version(),
		Milkings: milkings, Since: begin}, gates(begin))
	if err != nil {
		return site, fmt.Errorf("making the plan: %w", err)
	}
	if err := w.WritePlan(ctx, site.ID, plan); err != nil {
		return site, fmt.Errorf("writing the plan: %w", err)
	}
	// They have kept a log for longer than the history shows: their late entries of earlier months come in.
	hired := time.Date(local.Year()-2, local.Month(), 1, 0, 0, 0, 0, loc).UnixMilli()
	h := &history{loc: loc, now: now, rand: rand.New(rand.NewPCG(2026, 11))}
	for _, p := range people {
		one, err := a.AddPerson(ctx, site.ID, p.name, accounts.Grant{Role: p.role, From: hired, Owner: p.role == rights.Manager})
		if err != nil {
			return site, err
		}
		device, err := a.AddScriptDevice(ctx, site.ID, one.ID, "demo history")
		if err != nil {
			return site, err
		}
		h.add(p.role, who{person: one.ID, device: device})
	}
	entries, err := h.write()
	if err != nil {
		return site, fmt.Errorf("drawing the history: %w", err)
	}
	for done := 0; done < len(entries); done += batch {
		part := entries[done:min(done+batch, len(entries))]
		if err := w.WriteEntries(ctx, site.ID, part); err != nil {
			return site, fmt.Errorf("writing the history: %w", err)
		}
		told(done+len(part), len(entries))
	}
	return site, nil
}

func (h *history) add(role rights.Role, w who) {
	switch role {
	case rights.Manager:
		h.manager = w
	case rights.Contractor:
		h.trade = w
	default:
		h.crew = append(h.crew, w)
	}
}
