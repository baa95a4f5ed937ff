package platforms

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"strings"

	"gatewright/ops/platforms/play"
)

// Show writes all that is asked of one site and answered, in the order asked. What all say alike stands once; where
// they differ, what each says. It says whether all agreed.
func (t Trial) Show(ctx context.Context, out io.Writer) (agreed bool, err error) {
	report := &Report{Platforms: map[string]*Outcome{}}
	if err := t.prepare(ctx, report); err != nil {
		return false, err
	}
	if t.folder != "" {
		defer os.RemoveAll(t.folder)
	}
	site := Draw(t.First)
	said := map[string][]string{}
	var names []string
	for _, m := range t.programs {
		names = append(names, m.name)
		if said[m.name], err = m.whole(ctx, site); err != nil {
			return false, err
		}
	}
	names = append(names, "naive")
	err = site.Play(&independent{site: site}, func(a play.Answer) {
		said["naive"] = append(said["naive"], fmt.Sprintf("%d %s", a.Now, a.Output))
	})
	if err != nil {
		return false, err
	}

	fmt.Fprintf(out, "plan %s\n", site.Plan)
	for i, raw := range site.Entries {
		fmt.Fprintf(out, "entry %d %s\n", i, raw)
	}
	agreed = true
	most := 0
	for _, name := range names {
		most = max(most, len(said[name]))
	}
	for i := range most {
		who := map[string][]string{}
		var order []string
		for _, name := range names {
			text := "nothing"
			if i < len(said[name]) {
				text = said[name][i]
			}
			if who[text] == nil {
				order = append(order, text)
			}
			who[text] = append(who[text], name)
		}
		for _, text := range order {
			name := "all"
			if len(order) > 1 {
				agreed = false
				name = strings.Join(who[text], ", ")
			}
			fmt.Fprintf(out, "answer %d of %s: %s\n", i, name, text)
		}
	}
	return agreed, nil
}

// whole is every answer of a program on one site, each as "INSTANT OUTPUT", or as the sentence why there is none.
func (m program) whole(ctx context.Context, s *play.Site) ([]string, error) {
	cmd := m.cmd(ctx, "whole")
	cmd.Stdin = bytes.NewReader(append(s.AppendJSON(nil), '\n'))
	var complaint tail
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s: %w\n%s", m.name, err, complaint.String())
	}
	var answers []string
	for line := range strings.Lines(string(out)) {
		line = strings.TrimSuffix(line, "\n")
		if text, ok := strings.CutPrefix(line, "= "); ok {
			answers = append(answers, text)
		} else if _, v, err := parseVerdict(line); err != nil {
			return nil, fmt.Errorf("%s: %w", m.name, err)
		} else if v.refused != "" {
			answers = append(answers, v.String())
		}
	}
	return answers, nil
}
