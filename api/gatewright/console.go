package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"time"

	"github.com/spf13/cobra"

	"gatewright/api/accounts"
	"gatewright/api/httpapi"
	"gatewright/api/problem"
	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/sync/replay"
	"gatewright/sync/wire"
)

// ticketLife is how long a script's ticket can be used.
const ticketLife = 12 * time.Hour

// console runs f on an existing data folder.
func console(data *string, f func(ctx context.Context, h *house, cmd *cobra.Command) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, _ []string) error {
		h, err := existing(cmd.Context(), *data)
		if err != nil {
			return err
		}
		return errors.Join(f(cmd.Context(), h, cmd), h.close())
	}
}

func dataFlag(c *cobra.Command, data *string) {
	c.Flags().StringVar(data, "data", "data", "folder of the database")
}

func inviteCommand() *cobra.Command {
	var data, site, role, name, person string
	var owner bool
	c := &cobra.Command{Use: "invite", Short: "Make a one-use invitation and print its link", Args: cobra.NoArgs}
	c.RunE = console(&data, func(ctx context.Context, h *house, cmd *cobra.Command) error {
		s, err := h.accounts.SiteBySlug(ctx, site)
		if err != nil {
			return err
		}
		inv := accounts.Invitation{Site: s.ID, Role: rights.Role(role), Name: name, Owner: owner && role == string(rights.Manager), Expires: time.Now().Add(accounts.InviteLife).UnixMilli()}
		if person != "" {
			p, err := personNamed(ctx, h, s.ID, person)
			if err != nil {
				return err
			}
			inv.Person, inv.Role = p.ID, p.Role
		}
		link, err := h.invite(ctx, inv)
		if err != nil {
			return err
		}
		fmt.Fprintln(cmd.OutOrStdout(), link)
		return nil
	})
	dataFlag(c, &data)
	c.Flags().StringVar(&site, "site", "", "slug of the site")
	c.Flags().StringVar(&role, "role", "crew", "crew, manager, contractor, technician or viewer")
	c.Flags().StringVar(&name, "name", "", "fix the newcomer's name")
	c.Flags().StringVar(&person, "person", "", "a further device for this person, by name")
	c.Flags().BoolVar(&owner, "owner", false, "a manager who is an owner, too")
	return c
}

// invite makes an invitation from the console and gives its link.
func (h *house) invite(ctx context.Context, inv accounts.Invitation) (string, error) {
	origin, err := h.accounts.Setting(ctx, "origin")
	if err != nil {
		return "", err
	}
	if origin == "" {
		return "", errors.New("start the server once first: the link needs its address")
	}
	made, err := h.accounts.Invite(ctx, inv, "console")
	if err != nil {
		return "", err
	}
	return accounts.JoinLink(origin, made.Code), nil
}

// personNamed finds the one person of a name with open access at a site.
func personNamed(ctx context.Context, h *house, site, name string) (accounts.Person, error) {
	people, err := h.accounts.People(ctx, site)
	if err != nil {
		return accounts.Person{}, err
	}
	now := time.Now().UnixMilli()
	var found []accounts.Person
	for _, p := range people {
		if p.Name == name && (p.Until == 0 || p.Until > now) {
			found = append(found, p)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return accounts.Person{}, problem.New(problem.NotFound, "person", "person: nobody called "+name+" has access at this site.")
	}
	return accounts.Person{}, problem.New(problem.Conflict, "person", "person: more than one "+name+" has access at this site.")
}

// ticketOutput is the contract with scripts: keep it stable.
type ticketOutput struct {
	Socket    string            `json:"socket"`
	Documents map[string]string `json:"documents"`
	Person    string            `json:"person"`
	Device    string            `json:"device"`
}

func ticketCommand() *cobra.Command {
	var data, site, name string
	c := &cobra.Command{Use: "ticket", Short: "Print a socket address for any automerge-repo client", Args: cobra.NoArgs}
	c.RunE = console(&data, func(ctx context.Context, h *house, cmd *cobra.Command) error {
		s, err := h.accounts.SiteBySlug(ctx, site)
		if err != nil {
			return err
		}
		p, err := personNamed(ctx, h, s.ID, name)
		if err != nil {
			return err
		}
		out := ticketOutput{Person: p.ID}
		if out.Device, err = h.accounts.AddScriptDevice(ctx, s.ID, p.ID, "script"); err != nil {
			return err
		}
		if out.Socket, err = h.socket(ctx, s.ID, out.Device); err != nil {
			return err
		}
		if out.Documents, err = h.documents(ctx, s.ID); err != nil {
			return err
		}
		return json.NewEncoder(cmd.OutOrStdout()).Encode(out)
	})
	dataFlag(c, &data)
	c.Flags().StringVar(&site, "site", "", "slug of the site")
	c.Flags().StringVar(&name, "person", "", "name of the person the script acts for")
	return c
}

// socket makes a reusable ticket for a device and gives the socket's address.
func (h *house) socket(ctx context.Context, site, device string) (string, error) {
	origin, err := h.accounts.Setting(ctx, "origin")
	if err != nil {
		return "", err
	}
	u, err := url.Parse(origin)
	if err != nil || origin == "" {
		return "", errors.New("start the server once first: the ticket needs its address")
	}
	secret, err := h.accounts.NewTicket(ctx, accounts.Ticket{Site: site, Device: device, Reusable: true,
		Expires: time.Now().Add(ticketLife).UnixMilli()})
	if err != nil {
		return "", err
	}
	u.Scheme = map[string]string{"http": "ws", "https": "wss"}[u.Scheme]
	u.Path, u.RawQuery = "/sync/v1", url.Values{"ticket": {secret}}.Encode()
	return u.String(), nil
}

// documents gives the addresses of a site's documents, this month's log among them even before its first entry.
func (h *house) documents(ctx context.Context, site string) (map[string]string, error) {
	docs, err := h.db.Documents(ctx, site)
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, d := range docs {
		out[d.Name] = "automerge:" + d.ID
	}
	uuid, err := logbook.ParseUUID(site)
	if err != nil {
		return nil, err
	}
	month := "log/" + time.Now().UTC().Format("2006-01")
	for _, name := range []string{replay.PlanName, month} {
		out[name] = "automerge:" + wire.DocumentID(logbook.DocID(uuid, name))
	}
	return out, nil
}

func docsCommand() *cobra.Command {
	var data, site string
	var changes bool
	c := &cobra.Command{Use: "docs", Short: "List a site's documents and heads as JSON lines", Args: cobra.NoArgs}
	c.RunE = console(&data, func(ctx context.Context, h *house, cmd *cobra.Command) error {
		s, err := h.accounts.SiteBySlug(ctx, site)
		if err != nil {
			return err
		}
		docs, err := h.db.Documents(ctx, s.ID)
		if err != nil {
			return err
		}
		enc := json.NewEncoder(cmd.OutOrStdout())
		for _, d := range docs {
			heads := make([]string, len(d.Heads))
			for i, x := range d.Heads {
				heads[i] = x.String()
			}
			line := struct {
				Name    string   `json:"name"`
				URL     string   `json:"url"`
				Heads   []string `json:"heads"`
				Changes [][]byte `json:"changes,omitempty"`
			}{Name: d.Name, URL: "automerge:" + d.ID, Heads: heads}
			if changes {
				stored, _, err := h.db.Load(ctx, s.ID, d.Name)
				if err != nil {
					return err
				}
				for _, x := range stored {
					line.Changes = append(line.Changes, x.Bytes)
				}
			}
			if err := enc.Encode(line); err != nil {
				return err
			}
		}
		return nil
	})
	dataFlag(c, &data)
	c.Flags().StringVar(&site, "site", "", "slug of the site")
	c.Flags().BoolVar(&changes, "changes", false, "with the changes of each document, base64, in no set order")
	return c
}

func rulesCommand() *cobra.Command {
	var data, site string
	var at []string
	c := &cobra.Command{Use: "rules", Short: "Print the rules output of a site as canonical JSON, a line for each instant", Args: cobra.NoArgs}
	c.RunE = console(&data, func(ctx context.Context, h *house, cmd *cobra.Command) error {
		instants := make([]int64, len(at))
		for i, text := range at {
			var err error
			if instants[i], err = httpapi.ParseInstant("at", text); err != nil {
				return err
			}
		}
		if len(at) == 0 {
			instants = []int64{time.Now().UnixMilli()}
		}
		s, err := h.accounts.SiteBySlug(ctx, site)
		if err != nil {
			return err
		}
		engine, err := replay.Rules(ctx, h.db, s.ID)
		if err != nil {
			return err
		}
		out := bufio.NewWriter(cmd.OutOrStdout())
		for _, now := range instants {
			out.Write(engine.Evaluate(now).AppendJSON(nil))
			out.WriteByte('\n')
		}
		return out.Flush()
	})
	dataFlag(c, &data)
	c.Flags().StringVar(&site, "site", "", "slug of the site")
	c.Flags().StringSliceVar(&at, "at", nil, "instants, RFC 3339 or ms since 1970, parted by commas: one output a line; now when left out")
	return c
}
