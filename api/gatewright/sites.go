package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"gatewright/api/accounts"
	"gatewright/api/demo"
	"gatewright/api/problem"
	"gatewright/api/starter"
	"gatewright/schema/rights"
	"gatewright/schema/zones"
	"gatewright/sync/hub"
)

func siteCommand() *cobra.Command {
	var data, slug, name, zone, gate string
	c := &cobra.Command{Use: "site", Short: "Make a site with a first gate and the trade's checks, and print its owner's invitation", Args: cobra.NoArgs}
	c.RunE = console(&data, func(ctx context.Context, h *house, cmd *cobra.Command) error {
		site, err := h.accounts.CreateSite(ctx, slug, name, zone)
		if err != nil {
			return err
		}
		if err := h.firstPlan(ctx, site, gate); err != nil {
			return err
		}
		link, err := h.invite(ctx, accounts.Invitation{Site: site.ID, Role: rights.Manager, Owner: true, Expires: time.Now().Add(accounts.InviteLife).UnixMilli()})
		if err != nil {
			return err
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%s is made; its owner opens, once and within a day:\n%s\n", site.Name, link)
		return nil
	})
	dataFlag(c, &data)
	c.Flags().StringVar(&slug, "slug", "", "short name, for addresses and the command line")
	c.Flags().StringVar(&name, "name", "", "name of the farm yard")
	c.Flags().StringVar(&zone, "zone", "", "time zone, such as Europe/Dublin")
	c.Flags().StringVar(&gate, "gate", "Sorting gate", "name of its first gate")
	return c
}

// firstPlan gives a new site one air-driven gate with the usual parts.
func (h *house) firstPlan(ctx context.Context, site accounts.Site, gate string) error {
	table, err := zones.Table(site.Zone)
	if err != nil {
		return err
	}
	now := time.Now().UnixMilli()
	items, err := starter.Plan(starter.Site{ID: site.ID, Name: site.Name, Zone: site.Zone, Table: table, TableVersion: zones.Version(),
		Milkings: starter.UsualMilkings(), Since: now}, []starter.Gate{starter.UsualGate("a", gate, now)})
	if err != nil {
		return err
	}
	return h.writing(ctx, func(r *hub.Runner) error { return r.WritePlan(ctx, site.ID, items) })
}

// writing runs f with a hub of this process: only for sites that no running server has open yet.
func (h *house) writing(ctx context.Context, f func(*hub.Runner) error) error {
	runner, err := h.runner(ctx)
	if err != nil {
		return err
	}
	return errors.Join(f(runner), runner.Close(ctx))
}

func demoCommand() *cobra.Command {
	s := &settings{}
	c := &cobra.Command{Use: "demo", Short: "Seed one invented site where there is none, print a link per person, and serve", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			h, err := open(cmd.Context(), s.Data, demoLog())
			if err != nil {
				return err
			}
			return errors.Join(serve(cmd.Context(), h, s, h.showDemo), h.close())
		}}
	s.flags(c)
	return c
}

// showDemo seeds the demo once, and prints fresh links at each start.
func (h *house) showDemo(ctx context.Context, runner *hub.Runner, origin string) error {
	site, err := h.accounts.SiteBySlug(ctx, demo.Slug)
	var p *problem.Error
	if errors.As(err, &p) && p.Kind == problem.NotFound {
		site, err = demo.Seed(ctx, h.accounts, runner, time.Now(), seedProgress())
	}
	if err != nil {
		return fmt.Errorf("seeding the demo: %w", err)
	}
	people, err := h.accounts.People(ctx, site.ID)
	if err != nil {
		return err
	}
	fmt.Printf("%s, an invented site: two gates, %d people, six weeks of history.\n", site.Name, len(people))
	fmt.Println("One link per person; each opens once, several may be opened in one browser:")
	for _, who := range people {
		made, err := h.accounts.Invite(ctx, accounts.Invitation{Site: site.ID, Role: who.Role, Person: who.ID,
			Expires: time.Now().Add(accounts.InviteLife).UnixMilli()}, "console")
		if err != nil {
			return err
		}
		fmt.Printf("  %-12s %-11s %s\n", who.Name, who.Role, accounts.JoinLink(origin, made.Code))
	}
	return nil
}

// seedProgress tells a terminal how far the history is; a pipe stays quiet.
func seedProgress() func(done, of int) {
	if !terminal(os.Stderr) {
		return func(int, int) {}
	}
	return func(done, of int) {
		fmt.Fprintf(os.Stderr, "\r\033[Kwriting the history: %d of %d entries", done, of)
		if done == of {
			fmt.Fprint(os.Stderr, "\r\033[K")
		}
	}
}
