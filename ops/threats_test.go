package ops

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The table of THREATS.md names files and tests: each must be there, and a claim without any is none.
func TestThreats(t *testing.T) {
	raw, err := os.ReadFile("THREATS.md")
	if err != nil {
		t.Fatal(err)
	}
	text := string(raw)
	named := regexp.MustCompile("`([A-Za-z0-9_.-]+(?:/[A-Za-z0-9_.-]+)+|go\\.mod|go\\.sum|compose\\.yaml|DEVELOPERS\\.md)(?::([A-Za-z0-9]+))?`")
	files, tests := map[string]string{}, 0
	check := func(name, test string) {
		if _, read := files[name]; !read {
			body, err := os.ReadFile(filepath.Join("..", name))
			if _, gone := os.Stat(filepath.Join("..", name)); gone != nil || err != nil && test != "" { // a folder has no test
				t.Errorf("%s: %v", name, err)
			}
			files[name] = string(body)
		}
		if test == "" {
			return
		}
		tests++
		if !strings.Contains(files[name], "\nfunc "+test+"(t *testing.T)") {
			t.Errorf("%s has no test %s", name, test)
		}
	}
	item := regexp.MustCompile(`^\d{1,2}\.\d{1,2}\.\d{1,2}$`)
	seen, count := map[string]bool{}, map[string]int{}
	for line := range strings.Lines(text) {
		for _, m := range named.FindAllStringSubmatch(line, -1) {
			check(m[1], m[2])
		}
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), " | ")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		if len(cells) != 6 || !item.MatchString(cells[0]) {
			continue
		}
		number, level, state, where, by := cells[0], cells[1], cells[3], cells[4], cells[5]
		if seen[number] {
			t.Errorf("%s stands there twice", number)
		}
		seen[number] = true
		count[state]++
		if level != "1" && level != "2" {
			t.Errorf("%s: level %s", number, level)
		}
		switch state {
		case "met":
			if where == "" || by == "" || !named.MatchString(where+by) && !strings.Contains(where, "above") && where != "there are none" {
				t.Errorf("%s is said to be met, and nothing says where", number)
			}
		case "partly", "no":
			if last := named.ReplaceAllString(by, ""); len(strings.Trim(last, " ,;")) < 8 {
				t.Errorf("%s is not met, and no reason stands there", number)
			}
		default:
			t.Errorf("%s is %q: it is met, partly or no", number, state)
		}
	}
	if len(seen) < 100 || tests < 100 {
		t.Errorf("%d items and %d tests were read: the table is read wrongly", len(seen), tests)
	}
	t.Logf("%d items: %d met, %d partly, %d not; %d files, tests named %d times", len(seen), count["met"], count["partly"], count["no"], len(files), tests)
}
