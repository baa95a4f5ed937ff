package num

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Every product of floats stands directly inside float64(), which keeps it
// from being fused with a sum around it or in a later statement. micro.go has
// integers only.
func TestProductsAreRounded(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	products := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") || name == "micro.go" {
			continue
		}
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, name, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		rounded := map[ast.Node]bool{}
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				if id, ok := n.Fun.(*ast.Ident); ok && id.Name == "float64" {
					rounded[n.Args[0]] = true
				}
			case *ast.BinaryExpr:
				if n.Op == token.MUL {
					products++
					if !rounded[n] {
						t.Errorf("%s: a product outside float64()", fset.Position(n.Pos()))
					}
				}
			case *ast.AssignStmt:
				if n.Tok == token.MUL_ASSIGN {
					t.Errorf("%s: *= cannot be kept from fusion", fset.Position(n.Pos()))
				}
			case *ast.SelectorExpr:
				// What of math has one result on every platform.
				if id, ok := n.X.(*ast.Ident); ok && id.Name == "math" {
					switch n.Sel.Name {
					case "Sqrt", "Floor", "Abs", "Inf", "NaN", "Float64bits", "Float64frombits", "MaxFloat64", "Sqrt2", "Ln10":
					default:
						t.Errorf("%s: math.%s is not known to be the same everywhere", fset.Position(n.Pos()), n.Sel.Name)
					}
				}
			}
			return true
		})
	}
	if products < 40 {
		t.Errorf("only %d products were seen", products)
	}
}

// The compiler's own output for two platforms that have fused multiply-add
// holds none; a file that asks for one shows that the search would find it.
func TestNoFusedInstructions(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for two other platforms")
	}
	control := filepath.Join(t.TempDir(), "control.go")
	if err := os.WriteFile(control, []byte("package control\n\nfunc F(x, y, z float64) float64 { return x*y + z }\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ env, fused []string }{
		{[]string{"GOARCH=arm64"}, []string{"FMADD", "FMSUB", "FNMADD", "FNMSUB"}},
		{[]string{"GOARCH=amd64", "GOAMD64=v3"}, []string{"VFMADD", "VFMSUB", "VFNMADD", "VFNMSUB"}},
	} {
		found := func(args ...string) string {
			cmd := exec.Command("go", append([]string{"build", "-gcflags=-S"}, args...)...)
			cmd.Env = append(append(os.Environ(), "GOOS=linux", "CGO_ENABLED=0"), c.env...)
			out, err := cmd.CombinedOutput()
			if err != nil {
				t.Fatalf("%v: building: %v\n%s", c.env, err, out)
			}
			for line := range strings.Lines(string(out)) {
				for _, f := range c.fused {
					if strings.Contains(line, f) {
						return line
					}
				}
			}
			if !strings.Contains(string(out), "RET") {
				t.Fatalf("%v: the compiler listed no instructions", c.env)
			}
			return ""
		}
		if found(control) == "" {
			t.Errorf("%v: the control is not fused, so this test shows nothing", c.env)
		}
		for _, subject := range []string{"num", "chart", "rates", "tolerance", "trend"} {
			if line := found("gatewright/schema/" + subject); line != "" {
				t.Errorf("%v: a fused instruction in %s: %s", c.env, subject, line)
			}
		}
	}
}
