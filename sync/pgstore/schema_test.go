package pgstore

import (
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"gatewright/sync/sqlitestore"

	"github.com/google/go-cmp/cmp"
)

// Both engines have the same migrations, and tables, columns, keys, references
// and indexes come out the same.
func TestSameTablesAsSQLite(t *testing.T) {
	for _, dir := range []string{"migrations", "../sqlitestore/migrations"} {
		if _, err := os.Stat(dir); err != nil {
			t.Fatal(err)
		}
	}
	names := func(dir string) (list []string) {
		paths, err := filepath.Glob(filepath.Join(dir, "*.sql"))
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range paths {
			list = append(list, filepath.Base(p))
		}
		return list
	}
	if d := cmp.Diff(names("../sqlitestore/migrations"), names("migrations")); d != "" {
		t.Fatalf("a migration is missing (-SQLite +PostgreSQL):\n%s", d)
	}
	lite, err := sqlitestore.Open(t.Context(), filepath.Join(t.TempDir(), "gatewright.db"), sqlitestore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer lite.Close()
	db, _ := fresh(t)
	here, there := ofPostgres(t, db.Reader()), ofSQLite(t, lite.Reader())
	if len(there) < 100 {
		t.Fatalf("only %d lines about SQLite's tables", len(there))
	}
	if d := cmp.Diff(there, here); d != "" {
		t.Errorf("the tables differ (-SQLite +PostgreSQL):\n%s", d)
	}
}

// lines gives the one column of a query, sorted.
func lines(t *testing.T, db *sql.DB, query string) (list []string) {
	t.Helper()
	rows, err := db.Query(query)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		list = append(list, s)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	slices.Sort(list)
	return list
}

func ofSQLite(t *testing.T, db *sql.DB) (list []string) {
	types := strings.NewReplacer("INTEGER", "bigint", "TEXT", "text", "BLOB", "bytea")
	for _, table := range lines(t, db, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%' AND name NOT LIKE 'goose%'`) {
		for _, c := range lines(t, db, fmt.Sprintf(`SELECT 'column %[1]s.' || name || ' ' || type ||
			CASE WHEN "notnull" = 1 THEN ' not null' ELSE '' END || COALESCE(' default ' || dflt_value, '') FROM pragma_table_info('%[1]s')`, table)) {
			list = append(list, types.Replace(c))
		}
		list = append(list, lines(t, db, fmt.Sprintf(`SELECT 'reference %[1]s(' || group_concat("from", ',') || ') to ' || "table"
			FROM (SELECT * FROM pragma_foreign_key_list('%[1]s') ORDER BY id, seq) GROUP BY id`, table))...)
		list = append(list, lines(t, db, fmt.Sprintf(`SELECT CASE WHEN i."unique" = 1 THEN 'unique ' ELSE 'index ' END || '%[1]s(' ||
			(SELECT group_concat(name, ',') FROM (SELECT name FROM pragma_index_info(i.name) ORDER BY seqno)) || ')' FROM pragma_index_list('%[1]s') i`, table))...)
	}
	slices.Sort(list)
	return list
}

func ofPostgres(t *testing.T, db *sql.DB) (list []string) {
	const ours = `n.nspname = 'public' AND c.relname NOT LIKE 'goose%' AND c.relname <> 'migrating'`
	list = lines(t, db, `SELECT 'column ' || c.relname || '.' || a.attname || ' ' || format_type(a.atttypid, a.atttypmod) ||
		CASE WHEN a.attnotnull THEN ' not null' ELSE '' END || COALESCE(' default ' || pg_get_expr(d.adbin, d.adrelid), '')
		FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid AND c.relkind = 'r' JOIN pg_namespace n ON n.oid = c.relnamespace
		LEFT JOIN pg_attrdef d ON d.adrelid = c.oid AND d.adnum = a.attnum
		WHERE a.attnum > 0 AND NOT a.attisdropped AND `+ours)
	quoted := regexp.MustCompile(` default '(\d+)'::bigint`)
	for i := range list {
		list[i] = quoted.ReplaceAllString(list[i], " default $1")
	}
	columns := func(keys, table string) string {
		return `(SELECT string_agg(a.attname, ',' ORDER BY k.n) FROM unnest(` + keys + `) WITH ORDINALITY AS k (num, n)
			JOIN pg_attribute a ON a.attrelid = ` + table + ` AND a.attnum = k.num)`
	}
	list = append(list, lines(t, db, `SELECT 'reference ' || c.relname || '(' || `+columns("r.conkey", "c.oid")+` || ') to ' || o.relname
		FROM pg_constraint r JOIN pg_class c ON c.oid = r.conrelid JOIN pg_namespace n ON n.oid = c.relnamespace JOIN pg_class o ON o.oid = r.confrelid
		WHERE r.contype = 'f' AND `+ours)...)
	list = append(list, lines(t, db, `SELECT CASE WHEN x.indisunique THEN 'unique ' ELSE 'index ' END || c.relname || '(' || `+columns("x.indkey::int2[]", "c.oid")+` || ')'
		FROM pg_index x JOIN pg_class c ON c.oid = x.indrelid JOIN pg_namespace n ON n.oid = c.relnamespace WHERE `+ours)...)
	slices.Sort(list)
	return list
}
