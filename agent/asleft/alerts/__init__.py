"""How alerts leave the house: mail, syslog, web calls, chat services, standard output. Never which, to whom or when."""
