package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"

	"gapward/configs"
	"gapward/gateway/accounts"

	"golang.org/x/term"
)

type accountCommand struct {
	Add      accountAdd      `cmd:"" help:"Make an account of a person."`
	Password accountPassword `cmd:"" help:"Give an account a new password."`
	Token    accountToken    `cmd:"" help:"Make an account of a machine, and print its token."`
	Remove   accountRemove   `cmd:"" help:"Take an account away."`
	List     accountList     `cmd:"" help:"List the accounts."`
}

// Help says what the roles may do, and shows an example.
func (accountCommand) Help() string {
	return `Accounts of the page stand in the file that the site file names in page.accounts_file. A running daemon takes changes up by itself; sessions of a changed account end.

Roles: view reads; technician acknowledges and shelves alarms and writes into the ledger; admin may do all that and reads the audit.

Example:
  gapward account add "R. Holm" --role technician --config site.yaml`
}

// accountFlags are what every one of these commands has.
type accountFlags struct {
	Config string `required:"" placeholder:"SITE.yaml" help:"Site file, which names the file of accounts."`
}

// file is the accounts file of the site.
func (f accountFlags) file(errs io.Writer) (string, error) {
	site, err := loadSite(f.Config, configs.Run, errs)
	if err != nil {
		return "", err
	}
	if site.Page.AccountsFile == "" {
		return "", usage(fmt.Errorf("%s has no page.accounts_file; write there where the accounts are to be kept", f.Config))
	}
	return site.Page.AccountsFile, nil
}

type accountAdd struct {
	Name string `arg:"" help:"Name that the person signs in with, and that stands beside what they do."`
	accountFlags
	Role         string `required:"" enum:"view,technician,admin" placeholder:"ROLE" help:"view, technician or admin."`
	PasswordFile string `placeholder:"FILE" help:"File with the password; asked for on the terminal if left out."`
}

type accountPassword struct {
	Name string `arg:"" help:"Account."`
	accountFlags
	PasswordFile string `placeholder:"FILE" help:"File with the new password; asked for on the terminal if left out."`
}

type accountToken struct {
	Name string `arg:"" help:"Name of the machine, or of what it does."`
	accountFlags
	Role string `required:"" enum:"view,technician,admin" placeholder:"ROLE" help:"view, technician or admin."`
}

type accountRemove struct {
	Name string `arg:"" help:"Account."`
	accountFlags
}

type accountList struct{ accountFlags }

// Help shows an example.
func (accountAdd) Help() string {
	return `Example:
  gapward account add "R. Holm" --role technician --config site.yaml`
}

// Help shows an example.
func (accountPassword) Help() string {
	return `Example:
  gapward account password "R. Holm" --config site.yaml`
}

// Help shows an example.
func (accountToken) Help() string {
	return `The token is printed once and can't be had again. The machine sends it as Authorization: Bearer TOKEN.

Example:
  gapward account token scraper --role view --config site.yaml`
}

// Help shows an example.
func (accountRemove) Help() string {
	return `Example:
  gapward account remove "R. Holm" --config site.yaml`
}

// Help shows an example.
func (accountList) Help() string {
	return `Example:
  gapward account list --config site.yaml`
}

// Run makes an account.
func (c *accountAdd) Run(io streams) error {
	file, err := c.file(io.err)
	if err != nil {
		return err
	}
	if err := put(io, file, c.Name, c.Role, c.PasswordFile, false); err != nil {
		return err
	}
	fmt.Fprintf(io.out, "%s may sign in now, as %s.\n", c.Name, c.Role)
	return nil
}

// Run gives an account a new password.
func (c *accountPassword) Run(io streams) error {
	file, err := c.file(io.err)
	if err != nil {
		return err
	}
	book, err := accounts.Open(file)
	if err != nil {
		return err
	}
	a, ok := book.ByName(c.Name)
	if !ok {
		return usage(fmt.Errorf("there is no account %q of a person in %s", c.Name, file))
	}
	if err := put(io, file, c.Name, a.Role.String(), c.PasswordFile, true); err != nil {
		return err
	}
	fmt.Fprintf(io.out, "%s has a new password; what was signed in with the old one is signed out.\n", c.Name)
	return nil
}

// put writes an account with a password that is asked for.
func put(io streams, file, name, roleName, passwordFile string, replace bool) error {
	role, err := accounts.ParseRole(roleName)
	if err == nil {
		err = accounts.CheckName(name)
	}
	if err != nil {
		return usage(err)
	}
	password, err := askPassword(io, name, passwordFile)
	if err != nil {
		return err
	}
	a, err := accounts.NewPassword(name, role, password)
	if err != nil {
		return usage(err)
	}
	return refusedAs(accounts.Put(file, a, replace), name, file)
}

// refusedAs makes an error of wrong usage of what is the caller's fault.
func refusedAs(err error, name, file string) error {
	if errors.Is(err, accounts.ErrExists) || errors.Is(err, accounts.ErrUnknown) {
		return usage(fmt.Errorf("%q in %s: %w", name, file, err))
	}
	return err
}

// Run makes a token.
func (c *accountToken) Run(io streams) error {
	file, err := c.file(io.err)
	if err != nil {
		return err
	}
	role, err := accounts.ParseRole(c.Role)
	if err != nil {
		return usage(err)
	}
	a, token := accounts.NewToken(c.Name, role)
	if err := refusedAs(accounts.Put(file, a, false), c.Name, file); err != nil {
		return err
	}
	fmt.Fprintln(io.out, token)
	return nil
}

// Run takes an account away.
func (c *accountRemove) Run(io streams) error {
	file, err := c.file(io.err)
	if err != nil {
		return err
	}
	if err := refusedAs(accounts.Remove(file, c.Name), c.Name, file); err != nil {
		return err
	}
	fmt.Fprintf(io.out, "%s is no longer let in.\n", c.Name)
	return nil
}

// Run lists the accounts.
func (c *accountList) Run(io streams) error {
	file, err := c.file(io.err)
	if err != nil {
		return err
	}
	book, err := accounts.Open(file)
	if err != nil {
		return err
	}
	list, err := book.List()
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(io.out, 0, 0, 2, ' ', 0)
	for _, a := range list {
		by := "password"
		if a.Token {
			by = "token"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\n", a.Name, a.Role, by)
	}
	return w.Flush()
}

// askPassword reads a password from its file, or twice from a terminal that
// doesn't show it, or one line from standard input where that is none.
func askPassword(io streams, name, file string) (string, error) {
	if file != "" {
		text, err := os.ReadFile(file)
		if err != nil {
			return "", usage(fmt.Errorf("reading the password: %w", err))
		}
		return strings.TrimRight(string(text), "\r\n"), nil
	}
	terminal, ok := io.in.(*os.File)
	if !ok || !term.IsTerminal(int(terminal.Fd())) {
		if io.in == nil {
			return "", usage(errors.New("there is nobody to ask for the password; give --password-file"))
		}
		line, err := bufio.NewReader(io.in).ReadString('\n')
		if line = strings.TrimRight(line, "\r\n"); line == "" {
			return "", usage(errors.Join(errors.New("no password came on standard input; give --password-file, or use a terminal"), err))
		}
		return line, nil
	}
	ask := func(prompt string) (string, error) {
		fmt.Fprint(io.err, prompt)
		text, err := term.ReadPassword(int(terminal.Fd()))
		fmt.Fprintln(io.err)
		if err != nil {
			return "", fmt.Errorf("reading the password: %w", err)
		}
		return string(text), nil
	}
	first, err := ask("Password for " + name + ": ")
	if err != nil {
		return "", err
	}
	if err := accounts.CheckPassword(name, first); err != nil {
		return "", usage(err)
	}
	second, err := ask("Once more: ")
	if err == nil && first != second {
		err = usage(errors.New("the two are not the same; nothing was changed"))
	}
	return first, err
}
